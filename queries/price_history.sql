-- title: Prices over time
-- parameter: speaker text null | only this speaker (slug)
-- parameter: currency text null | only this currency
-- column: speaker | slug
-- column: date | when; empty where unknown
-- column: kind | list, street or sale
-- column: amount | as it was given
-- column: currency | its currency
-- column: per | as it was given: a pair, or each
-- column: change_percent | against the price of the same kind and currency before
SELECT sp.slug AS speaker, p.date, p.kind, p.amount, p.currency, p.per,
       round(100 * (p.amount / lag(p.amount) OVER (PARTITION BY p.speaker_id, p.kind, p.currency, p.per
                                                   ORDER BY p.date NULLS FIRST, p.price_id) - 1), 1) AS change_percent
FROM price p JOIN speaker sp USING (speaker_id) LEFT JOIN session s ON s.session_id = p.session_id
WHERE (p.session_id IS NULL OR s.status <> 'withdrawn') AND ($speaker IS NULL OR sp.slug = $speaker)
    AND ($currency IS NULL OR p.currency = $currency)
ORDER BY sp.slug, p.kind, p.date NULLS FIRST, p.price_id
-- left out
SELECT 'no price is recorded' AS reason, count(*) AS speakers FROM speaker sp
WHERE NOT EXISTS (SELECT 1 FROM price p WHERE p.speaker_id = sp.speaker_id) AND ($speaker IS NULL OR sp.slug = $speaker)
HAVING count(*) > 0
