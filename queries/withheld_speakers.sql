-- title: Of whom a metric is withheld, and why
-- parameter: metric text preference | metric id
-- column: speaker | slug
-- column: kind | kind of speaker
-- column: reason | why
SELECT f.speaker, f.kind, p.reason
FROM speaker_facts f JOIN speaker_setting ss ON ss.speaker_id = f.speaker_id AND ss.is_default
JOIN pooled_value p ON p.speaker_id = ss.speaker_id AND p.setting = ss.setting JOIN metric m USING (metric_no)
WHERE m.id = $metric AND p.status <> 'ok'
ORDER BY p.reason, f.speaker
-- left out
SELECT 'not withheld' AS reason, count(*) AS speakers
FROM speaker_setting ss JOIN pooled_value p ON p.speaker_id = ss.speaker_id AND p.setting = ss.setting
JOIN metric m USING (metric_no) WHERE ss.is_default AND m.id = $metric AND p.status = 'ok'
HAVING count(*) > 0
