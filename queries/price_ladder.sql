-- title: Speakers from the cheapest up, with their predicted preference
-- parameter: currency text EUR | currency of the prices
-- parameter: price_kind text street | list, street or sale
-- parameter: kind text null | only this kind
-- parameter: price_max number null | highest price
-- column: speaker | slug
-- column: kind | kind of speaker
-- column: price | newest price of what is bought
-- column: per | pair, or one where the kind is bought one at a time
-- column: preference | predicted preference, empty where withheld
SELECT f.speaker, f.kind, p.price, p.per, round(v.value, 1) AS preference
FROM current_price p
JOIN speaker_facts f USING (speaker_id)
JOIN speaker_setting ss ON ss.speaker_id = f.speaker_id AND ss.is_default
LEFT JOIN pooled_value v ON v.speaker_id = ss.speaker_id AND v.setting = ss.setting
    AND v.metric_no = (SELECT metric_no FROM metric WHERE id = 'preference')
WHERE p.currency = $currency AND p.kind = $price_kind AND ($kind IS NULL OR f.kind = $kind)
    AND ($price_max IS NULL OR p.price <= $price_max)
ORDER BY p.price, f.speaker
