-- title: What stands alone in its kind: its whole 95 % interval is better than that of every other
-- parameter: kind text null | only this kind
-- column: kind | kind of speaker
-- column: metric | metric id
-- column: speaker | slug
-- column: value | its value
-- column: unit | its unit
-- column: next | the next best value
-- column: of | how many of its kind have the value
WITH v AS (
    SELECT f.kind, m.id, m.unit, f.speaker, p.value, CASE m.better WHEN 'high' THEN p.low ELSE -p.high END AS surely,
           CASE m.better WHEN 'high' THEN p.high ELSE -p.low END AS possibly,
           CASE m.better WHEN 'high' THEN p.value ELSE -p.value END AS merit
    FROM speaker_facts f JOIN speaker_setting ss ON ss.speaker_id = f.speaker_id AND ss.is_default
    JOIN pooled_value p ON p.speaker_id = ss.speaker_id AND p.setting = ss.setting JOIN metric m USING (metric_no)
    WHERE p.status = 'ok' AND m.better <> 'neither' AND f.kind IS NOT NULL AND ($kind IS NULL OR f.kind = $kind)
), known AS (SELECT *, count(*) OVER (PARTITION BY kind, id) AS n FROM v WHERE surely IS NOT NULL AND possibly IS NOT NULL)
SELECT a.kind, a.id AS metric, a.speaker, round(a.value, 3) AS value, a.unit,
       round((SELECT arg_max(b.value, b.merit) FROM known b WHERE b.kind = a.kind AND b.id = a.id AND b.speaker <> a.speaker), 3)
           AS next, a.n AS of
FROM known a
WHERE a.n > 2 AND NOT EXISTS (
    SELECT 1 FROM known b WHERE b.kind = a.kind AND b.id = a.id AND b.speaker <> a.speaker AND b.possibly >= a.surely)
ORDER BY a.kind, a.id
-- left out
SELECT 'of a kind with fewer than three' AS reason, count(*) AS speakers
FROM speaker_facts WHERE kind IN (SELECT kind FROM speaker_facts GROUP BY kind HAVING count(*) < 3)
    AND ($kind IS NULL OR kind = $kind)
HAVING count(*) > 0
