-- title: Values in which a speaker's sessions of several labs disagree beyond their errors
-- parameter: metric text null | only this metric id
-- column: speaker | slug
-- column: setting | setting of the electronics
-- column: labs | which labs
-- column: metric | metric id
-- column: value | pooled value
-- column: unit | its unit
WITH several AS (
    SELECT s.speaker_id, s.setting, string_agg(DISTINCT l.name, ', ' ORDER BY l.name) AS labs
    FROM session s JOIN lab l USING (lab_id) WHERE s.status = 'active'
    GROUP BY s.speaker_id, s.setting HAVING count(DISTINCT s.lab_id) > 1
)
SELECT sp.slug AS speaker, v.setting, several.labs, m.id AS metric, round(v.value, 3) AS value, m.unit
FROM pooled_value v JOIN several USING (speaker_id, setting) JOIN metric m USING (metric_no)
JOIN speaker sp ON sp.speaker_id = v.speaker_id
WHERE v.disagree AND v.status = 'ok' AND ($metric IS NULL OR m.id = $metric)
ORDER BY sp.slug, v.setting, m.id
-- left out
SELECT 'measured by one lab only' AS reason, count(*) AS speakers
FROM (SELECT speaker_id FROM session WHERE status = 'active' GROUP BY speaker_id HAVING count(DISTINCT lab_id) = 1)
HAVING count(*) > 0
