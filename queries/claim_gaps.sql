-- title: Largest gaps between the claimed maximum level and the measured one
-- parameter: limit integer 50 | at most so many rows
-- column: speaker | slug
-- column: claimed_db | as claimed, referred to one speaker at 1 m
-- column: measured_db | compression-limited SPL, dB at 1 m
-- column: censored | at_least where it was not driven to its limit: then the gap is at most this
-- column: gap_db | claimed less measured
WITH v AS (
    SELECT f.speaker, f.claimed_max_db + 20 * log10(coalesce(f.claim_distance_m, 1))
               - CASE WHEN f.claim_pair THEN 10 * log10(2) ELSE 0 END AS claimed, p.value, p.censored
    FROM speaker_facts f JOIN speaker_setting ss ON ss.speaker_id = f.speaker_id AND ss.is_default
    JOIN pooled_value p ON p.speaker_id = ss.speaker_id AND p.setting = ss.setting JOIN metric m USING (metric_no)
    WHERE m.id = 'max_level_db' AND p.status = 'ok' AND f.claimed_max_db IS NOT NULL
)
SELECT speaker, round(claimed, 1) AS claimed_db, round(value, 1) AS measured_db, censored,
       round(claimed - value, 1) AS gap_db
FROM v ORDER BY claimed - value DESC, speaker LIMIT $limit
-- left out
SELECT CASE WHEN f.claimed_max_db IS NULL THEN 'nothing is claimed' ELSE p.reason END AS reason, count(*) AS speakers
FROM speaker_facts f JOIN speaker_setting ss ON ss.speaker_id = f.speaker_id AND ss.is_default
JOIN pooled_value p ON p.speaker_id = ss.speaker_id AND p.setting = ss.setting JOIN metric m USING (metric_no)
WHERE m.id = 'max_level_db' AND (p.status <> 'ok' OR f.claimed_max_db IS NULL)
GROUP BY ALL ORDER BY speakers DESC, reason
