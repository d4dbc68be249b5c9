-- title: Every session, the newest first
-- parameter: lab text null | only this lab
-- parameter: status text active | active, superseded or withdrawn; null for all
-- column: session | session id
-- column: speaker | slug
-- column: setting | setting of the electronics
-- column: lab | who measured
-- column: sample | which unit
-- column: method | how it was measured
-- column: date | when
-- column: points_per_octave | lowest raw resolution between 100 Hz and 6.4 kHz
-- column: status | whether it counts
SELECT s.session, sp.slug AS speaker, s.setting, l.name AS lab, s.sample, s.method, s.date,
       round(s.resolution_per_octave, 1) AS points_per_octave, s.status
FROM session s JOIN speaker sp USING (speaker_id) JOIN lab l USING (lab_id)
WHERE ($lab IS NULL OR l.name = $lab) AND ($status IS NULL OR s.status = $status)
ORDER BY s.date DESC, sp.slug, s.setting, s.repeat
