-- title: What came in or was withdrawn since a day
-- parameter: since text 2000-01-01 | the day, e.g. 2026-01-31
-- column: speaker | slug
-- column: session | the session
-- column: setting | setting of the electronics
-- column: what | stored, superseded or withdrawn
-- column: at | when
-- column: why | of a withdrawal
SELECT sp.slug AS speaker, s.session, s.setting, CASE s.status WHEN 'active' THEN 'stored' ELSE s.status END AS what,
       strftime(coalesce(s.status_since, s.ingested_at), '%Y-%m-%d %H:%M') AS at, s.status_reason AS why
FROM session s JOIN speaker sp USING (speaker_id)
WHERE coalesce(s.status_since, s.ingested_at) >= CAST($since AS DATE)
ORDER BY coalesce(s.status_since, s.ingested_at) DESC, sp.slug, s.session
-- left out
SELECT 'unchanged since then' AS reason, count(DISTINCT speaker_id) AS speakers FROM session
WHERE speaker_id NOT IN (SELECT speaker_id FROM session WHERE coalesce(status_since, ingested_at) >= CAST($since AS DATE))
HAVING count(*) > 0
