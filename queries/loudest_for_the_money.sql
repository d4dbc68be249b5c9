-- title: Loudest for the money: nothing of their kind is cheaper and louder
-- parameter: currency text EUR | currency of the prices
-- parameter: kind text null | only this kind
-- column: speaker | slug
-- column: kind | kind of speaker
-- column: price | street price, else the list price
-- column: per | pair, or one where the kind is bought one at a time
-- column: programme_spl_db | programme SPL, dB at 1 m
-- column: censored | at_least where it was not driven to its limit
WITH bought AS (
    SELECT speaker_id, arg_min(price, rank) AS price, arg_min(per, rank) AS per
    FROM (SELECT *, CASE kind WHEN 'street' THEN 1 WHEN 'list' THEN 2 ELSE 3 END AS rank FROM current_price
          WHERE currency = $currency AND kind <> 'sale')
    GROUP BY speaker_id
), v AS (
    SELECT f.speaker, f.kind, b.price, b.per, p.value, p.censored
    FROM speaker_facts f JOIN bought b USING (speaker_id)
    JOIN speaker_setting ss ON ss.speaker_id = f.speaker_id AND ss.is_default
    JOIN pooled_value p ON p.speaker_id = ss.speaker_id AND p.setting = ss.setting JOIN metric m USING (metric_no)
    WHERE m.id = 'programme_level_db' AND p.status = 'ok' AND ($kind IS NULL OR f.kind = $kind)
)
SELECT a.speaker, a.kind, a.price, a.per, round(a.value, 1) AS programme_spl_db, a.censored
FROM v a
WHERE NOT EXISTS (SELECT 1 FROM v b WHERE b.kind = a.kind AND b.price <= a.price AND b.value > a.value)
ORDER BY a.kind, a.price
-- left out
SELECT CASE WHEN NOT EXISTS (SELECT 1 FROM current_price c WHERE c.speaker_id = f.speaker_id AND c.currency = $currency
                             AND c.kind <> 'sale') THEN 'no street or list price in ' || $currency ELSE p.reason END AS reason,
       count(*) AS speakers
FROM speaker_facts f JOIN speaker_setting ss ON ss.speaker_id = f.speaker_id AND ss.is_default
JOIN pooled_value p ON p.speaker_id = ss.speaker_id AND p.setting = ss.setting JOIN metric m USING (metric_no)
WHERE m.id = 'programme_level_db' AND ($kind IS NULL OR f.kind = $kind) AND (p.status <> 'ok' OR NOT EXISTS (
    SELECT 1 FROM current_price c WHERE c.speaker_id = f.speaker_id AND c.currency = $currency AND c.kind <> 'sale'))
GROUP BY ALL ORDER BY speakers DESC, reason
