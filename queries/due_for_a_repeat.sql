-- title: Speakers known from one session only, the oldest first
-- parameter: before text null | only where that session is older than this, e.g. 2026-01-01
-- column: speaker | slug
-- column: setting | setting of the electronics
-- column: session | the session
-- column: lab | who measured
-- column: date | when
WITH alone AS (
    SELECT speaker_id, any_value(session_id) AS session_id FROM session
    WHERE status = 'active' GROUP BY speaker_id HAVING count(*) = 1
)
SELECT sp.slug AS speaker, s.setting, s.session, l.name AS lab, s.date
FROM alone JOIN session s USING (session_id) JOIN speaker sp ON sp.speaker_id = s.speaker_id JOIN lab l USING (lab_id)
WHERE $before IS NULL OR s.date < CAST($before AS DATE)
ORDER BY s.date, sp.slug
-- left out
SELECT 'measured more than once' AS reason, count(*) AS speakers
FROM (SELECT speaker_id FROM session WHERE status = 'active' GROUP BY speaker_id HAVING count(*) > 1)
HAVING count(*) > 0
