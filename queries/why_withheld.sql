-- title: What could not be judged, and why
-- parameter: metric text null | only this metric id
-- parameter: speaker text null | only this speaker (slug)
-- column: reason | why values are withheld
-- column: speakers | how many speakers
-- column: metrics | how many metrics
-- column: example | one of the speakers
SELECT v.reason, count(DISTINCT sp.slug) AS speakers, count(DISTINCT m.id) AS metrics, min(sp.slug) AS example
FROM pooled_value v
JOIN metric m USING (metric_no)
JOIN speaker sp USING (speaker_id)
JOIN speaker_setting ss ON ss.speaker_id = v.speaker_id AND ss.setting = v.setting AND ss.is_default
WHERE v.status <> 'ok' AND ($metric IS NULL OR m.id = $metric) AND ($speaker IS NULL OR sp.slug = $speaker)
GROUP BY v.reason
ORDER BY speakers DESC, metrics DESC, v.reason
