-- Version 5: prices of what is bought, and output per band. Most kinds are bought as a pair; a centre, a soundbar, a portable and a subwoofer one at a time
-- (terms.ONE_AT_A_TIME). price: of that; per: 'pair' or 'one'; sold: how the price was given, 'pair' or 'each'.
DROP VIEW current_price;
CREATE VIEW current_price AS
WITH newest AS (
    SELECT p.speaker_id, p.currency, p.kind,
           arg_max(p.amount, (coalesce(p.date, DATE '0001-01-01'), p.price_id)) AS amount,
           arg_max(p.per, (coalesce(p.date, DATE '0001-01-01'), p.price_id)) AS sold,
           max(p.date) AS date
    FROM price p LEFT JOIN session s ON s.session_id = p.session_id
    WHERE p.session_id IS NULL OR s.status <> 'withdrawn'
    GROUP BY p.speaker_id, p.currency, p.kind
)
SELECT n.speaker_id, n.currency, n.kind,
       n.amount * (CASE WHEN n.sold = 'each' THEN 1 ELSE 0.5 END) * (CASE WHEN alone THEN 1 ELSE 2 END) AS price,
       CASE WHEN alone THEN 'one' ELSE 'pair' END AS per,
       n.sold, n.date
FROM (
    SELECT w.*, coalesce(k.value IN ('centre', 'soundbar', 'portable', 'subwoofer'), false) AS alone
    FROM newest w LEFT JOIN current_fact k ON k.speaker_id = w.speaker_id AND k.name = 'kind'
) n;

-- Of a value that lies between two ends, `value` is the lower one and `upper` the other (censored 'between'); NULL elsewhere.
ALTER TABLE metric_value ADD COLUMN upper DOUBLE;
ALTER TABLE pooled_value ADD COLUMN upper DOUBLE;
-- Usable output stands per third-octave band as usable_low, usable_high and usable_cause; the curve it was goes.
DELETE FROM summary_curve WHERE part IN ('usable_output', 'usable_output_bound');
DELETE FROM pooled_curve WHERE part IN ('usable_output', 'usable_output_bound');
