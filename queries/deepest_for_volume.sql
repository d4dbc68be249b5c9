-- title: Deepest for their size: no smaller one of their kind goes lower
-- parameter: kind text null | only this kind
-- column: speaker | slug
-- column: kind | kind of speaker
-- column: volume_l | outer volume, litres
-- column: lf_extension_hz | LF extension (−6 dB), Hz; of a subwoofer its own
-- column: low | lower end of its 95 % interval
-- column: high | upper end
WITH v AS (
    SELECT f.speaker, f.kind, f.volume_l, p.value, p.low, p.high
    FROM speaker_facts f JOIN speaker_setting ss ON ss.speaker_id = f.speaker_id AND ss.is_default
    JOIN pooled_value p ON p.speaker_id = ss.speaker_id AND p.setting = ss.setting JOIN metric m USING (metric_no)
    WHERE m.id IN ('f6_hz', 'sub_f6_hz') AND p.status = 'ok' AND p.censored = 'none' AND f.volume_l IS NOT NULL
        AND ($kind IS NULL OR f.kind = $kind)
)
SELECT a.speaker, a.kind, round(a.volume_l, 1) AS volume_l, round(a.value, 1) AS lf_extension_hz, round(a.low, 1) AS low,
       round(a.high, 1) AS high
FROM v a
WHERE NOT EXISTS (SELECT 1 FROM v b WHERE b.kind = a.kind AND b.volume_l <= a.volume_l AND b.value < a.value)
ORDER BY a.kind, a.volume_l
-- left out
SELECT CASE WHEN f.volume_l IS NULL THEN 'size unknown' WHEN p.status <> 'ok' THEN p.reason ELSE 'only a bound is known' END
       AS reason, count(*) AS speakers
FROM speaker_facts f JOIN speaker_setting ss ON ss.speaker_id = f.speaker_id AND ss.is_default
JOIN pooled_value p ON p.speaker_id = ss.speaker_id AND p.setting = ss.setting JOIN metric m USING (metric_no)
WHERE m.id = CASE WHEN f.kind = 'subwoofer' THEN 'sub_f6_hz' ELSE 'f6_hz' END
    AND (p.status <> 'ok' OR p.censored <> 'none' OR f.volume_l IS NULL) AND ($kind IS NULL OR f.kind = $kind)
GROUP BY ALL ORDER BY speakers DESC, reason
