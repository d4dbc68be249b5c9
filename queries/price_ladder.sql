-- title: Speakers from the cheapest up, with their predicted preference
-- parameter: currency text EUR | currency of the prices
-- parameter: kind text null | only this kind
-- parameter: price_max number null | highest price
-- column: speaker | slug
-- column: kind | kind of speaker
-- column: price | street price of what is bought, else the list price
-- column: price_kind | which of them
-- column: per | pair, or one where the kind is bought one at a time
-- column: preference | predicted preference, empty where withheld
WITH bought AS (
    SELECT speaker_id, arg_min(price, rank) AS price, arg_min(per, rank) AS per, arg_min(kind, rank) AS price_kind
    FROM (SELECT *, CASE kind WHEN 'street' THEN 1 ELSE 2 END AS rank FROM current_price
          WHERE currency = $currency AND kind <> 'sale')
    GROUP BY speaker_id
)
SELECT f.speaker, f.kind, b.price, b.price_kind, b.per, round(v.value, 1) AS preference
FROM bought b
JOIN speaker_facts f USING (speaker_id)
JOIN speaker_setting ss ON ss.speaker_id = f.speaker_id AND ss.is_default
LEFT JOIN pooled_value v ON v.speaker_id = ss.speaker_id AND v.setting = ss.setting
    AND v.metric_no = (SELECT metric_no FROM metric WHERE id = 'preference')
WHERE ($kind IS NULL OR f.kind = $kind) AND ($price_max IS NULL OR b.price <= $price_max)
ORDER BY b.price, f.speaker
-- left out
SELECT 'no street or list price in ' || $currency AS reason, count(*) AS speakers
FROM speaker_facts f WHERE ($kind IS NULL OR f.kind = $kind) AND NOT EXISTS (
    SELECT 1 FROM current_price c WHERE c.speaker_id = f.speaker_id AND c.currency = $currency AND c.kind <> 'sale')
HAVING count(*) > 0
