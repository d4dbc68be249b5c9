-- title: How far the timbre holds up and down, by layout of the drivers
-- parameter: kind text null | only this kind
-- column: layout | layout
-- column: speakers | how many
-- column: median_deg | median of the vertical off-axis timbre width, degrees
-- column: least_deg | the smallest
-- column: most_deg | the largest
SELECT coalesce(f.layout, 'unknown') AS layout, count(*) AS speakers, round(median(p.value), 0) AS median_deg,
       round(min(p.value), 0) AS least_deg, round(max(p.value), 0) AS most_deg
FROM speaker_facts f JOIN speaker_setting ss ON ss.speaker_id = f.speaker_id AND ss.is_default
JOIN pooled_value p ON p.speaker_id = ss.speaker_id AND p.setting = ss.setting JOIN metric m USING (metric_no)
WHERE m.id = 'tone_width_vertical_deg' AND p.status = 'ok' AND ($kind IS NULL OR f.kind = $kind)
GROUP BY ALL ORDER BY median_deg DESC, layout
-- left out
SELECT p.reason, count(*) AS speakers
FROM speaker_facts f JOIN speaker_setting ss ON ss.speaker_id = f.speaker_id AND ss.is_default
JOIN pooled_value p ON p.speaker_id = ss.speaker_id AND p.setting = ss.setting JOIN metric m USING (metric_no)
WHERE m.id = 'tone_width_vertical_deg' AND p.status <> 'ok' AND ($kind IS NULL OR f.kind = $kind)
GROUP BY ALL ORDER BY speakers DESC, reason
