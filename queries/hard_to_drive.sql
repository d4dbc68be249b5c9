-- title: Hard to drive: minimum EPDR below a limit
-- parameter: ohm number 2 | the limit, Ω
-- column: speaker | slug
-- column: kind | kind of speaker
-- column: epdr_min_ohm | minimum EPDR, Ω
-- column: at_hz | where
-- column: impedance_min_ohm | minimum impedance, Ω
WITH v AS (
    SELECT f.speaker, f.kind, m.id, p.value
    FROM speaker_facts f JOIN speaker_setting ss ON ss.speaker_id = f.speaker_id AND ss.is_default
    JOIN pooled_value p ON p.speaker_id = ss.speaker_id AND p.setting = ss.setting JOIN metric m USING (metric_no)
    WHERE m.id IN ('epdr_min_ohm', 'epdr_min_at_hz', 'impedance_min_ohm') AND p.status = 'ok'
)
SELECT speaker, kind, round(max(value) FILTER (id = 'epdr_min_ohm'), 2) AS epdr_min_ohm,
       round(max(value) FILTER (id = 'epdr_min_at_hz'), 0) AS at_hz,
       round(max(value) FILTER (id = 'impedance_min_ohm'), 2) AS impedance_min_ohm
FROM v GROUP BY speaker, kind HAVING max(value) FILTER (id = 'epdr_min_ohm') < $ohm
ORDER BY max(value) FILTER (id = 'epdr_min_ohm'), speaker
-- left out
SELECT p.reason, count(*) AS speakers
FROM speaker_setting ss JOIN pooled_value p ON p.speaker_id = ss.speaker_id AND p.setting = ss.setting
JOIN metric m USING (metric_no) WHERE ss.is_default AND m.id = 'epdr_min_ohm' AND p.status <> 'ok'
GROUP BY ALL ORDER BY speakers DESC, reason
