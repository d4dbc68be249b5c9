-- title: Those whose listening window is most like one speaker's, at a fraction of its price
-- parameter: speaker text null | the speaker (slug)
-- parameter: fraction number 0.5 | of its price, at most
-- parameter: currency text EUR | currency of the prices
-- parameter: limit integer 20 | at most so many rows
-- column: speaker | slug
-- column: kind | kind of speaker
-- column: price | street price, else the list price
-- column: times_the_price | its price over that of the speaker asked about
-- column: rms_db | RMS difference of the listening windows over 100 Hz–10 kHz, levels set equal, dB
WITH bought AS (
    SELECT speaker_id, arg_min(price, CASE kind WHEN 'street' THEN 1 ELSE 2 END) AS price FROM current_price
    WHERE currency = $currency AND kind <> 'sale' GROUP BY speaker_id
), window_of AS (
    SELECT c.speaker_id, list_slice(CAST(c.level AS FLOAT[]), 48, 180) AS level
    FROM pooled_curve c JOIN speaker_setting ss ON ss.speaker_id = c.speaker_id AND ss.setting = c.setting AND ss.is_default
    WHERE c.part = 'listening_window'
), mine AS (
    SELECT w.level, b.price FROM window_of w JOIN bought b USING (speaker_id) JOIN speaker sp USING (speaker_id)
    WHERE sp.slug = $speaker
), apart AS (
    SELECT w.speaker_id, b.price, b.price / mine.price AS times,
           list_transform(range(1, len(w.level) + 1), lambda i: w.level[i] - mine.level[i]) AS difference
    FROM window_of w JOIN bought b USING (speaker_id), mine JOIN speaker sp ON sp.slug <> $speaker
    WHERE sp.speaker_id = w.speaker_id AND b.price <= $fraction * mine.price
)
SELECT f.speaker, f.kind, a.price, round(a.times, 2) AS times_the_price, round(list_stddev_pop(a.difference), 2) AS rms_db
FROM apart a JOIN speaker_facts f USING (speaker_id)
WHERE isfinite(list_sum(a.difference))
ORDER BY list_stddev_pop(a.difference), f.speaker LIMIT $limit
-- left out
SELECT CASE WHEN $speaker IS NULL THEN 'no speaker is named: speaker=SLUG' ELSE 'no street or list price in ' || $currency END
       AS reason, count(*) AS speakers
FROM speaker sp WHERE $speaker IS NULL OR NOT EXISTS (
    SELECT 1 FROM current_price c WHERE c.speaker_id = sp.speaker_id AND c.currency = $currency AND c.kind <> 'sale')
HAVING count(*) > 0
