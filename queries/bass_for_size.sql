-- title: How low speakers of each kind go, by outer volume
-- parameter: kind text null | only this kind
-- parameter: limit integer 50 | at most so many rows
-- column: speaker | slug
-- column: kind | kind of speaker
-- column: volume_l | outer volume, litres
-- column: f6_hz | LF extension (−6 dB), Hz
-- column: censored | at_most where the response does not fall that far within what was measured
SELECT f.speaker, f.kind, round(f.volume_l, 1) AS volume_l, round(v.value, 1) AS f6_hz, v.censored
FROM speaker_facts f
JOIN speaker_setting ss ON ss.speaker_id = f.speaker_id AND ss.is_default
JOIN pooled_value v ON v.speaker_id = ss.speaker_id AND v.setting = ss.setting
JOIN metric m USING (metric_no)
WHERE m.id = 'f6_hz' AND v.status = 'ok' AND f.volume_l IS NOT NULL AND ($kind IS NULL OR f.kind = $kind)
ORDER BY f.volume_l, f.speaker
LIMIT $limit
-- left out
SELECT CASE WHEN f.volume_l IS NULL THEN 'size unknown' ELSE v.reason END AS reason, count(*) AS speakers
FROM speaker_facts f
JOIN speaker_setting ss ON ss.speaker_id = f.speaker_id AND ss.is_default
JOIN pooled_value v ON v.speaker_id = ss.speaker_id AND v.setting = ss.setting
JOIN metric m USING (metric_no)
WHERE m.id = 'f6_hz' AND (v.status <> 'ok' OR f.volume_l IS NULL) AND ($kind IS NULL OR f.kind = $kind)
GROUP BY ALL ORDER BY speakers DESC, reason
