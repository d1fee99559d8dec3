-- When somebody was trained to handle pesticides stands with their qualifications alone.

-- +goose Up
-- What a work pattern says of it is moved, unless training that counts on the same days
-- is on record. It counts for 12 months to the day before: from 29 February to the 28th,
-- from 1 March to the last of February. A day that is still to come is no training yet.
INSERT INTO identity.qualification (nursery, person, id, kind, date, end_date, description, provider, recorder, create_time)
SELECT moved.nursery, moved.person, gen_random_uuid()::text, 'HANDLER_TRAINING', moved.first_day, moved.last_day,
    'training to handle pesticides, moved from the work pattern',
    'not recorded: the work pattern held the day only',
    coalesce((
        SELECT owner.id FROM identity.person AS owner
        WHERE owner.nursery = moved.nursery AND owner.role = 'OWNER'
        ORDER BY owner.disabled, owner.id COLLATE "C" LIMIT 1), moved.person),
    now()
FROM (
    SELECT w.nursery, w.person, w.training_date AS first_day,
        (w.training_date + interval '1 year')::date - CASE WHEN to_char(w.training_date, 'MM-DD') = '02-29' THEN 0 ELSE 1 END AS last_day
    FROM schedule.work_pattern AS w JOIN identity.nursery AS n ON n.id = w.nursery
    WHERE w.training_date <= (now() AT TIME ZONE n.time_zone)::date
) AS moved
WHERE NOT EXISTS (
    SELECT FROM identity.qualification AS q
    WHERE q.nursery = moved.nursery AND q.person = moved.person AND q.kind = 'HANDLER_TRAINING' AND q.void_time IS NULL
        AND q.date <= moved.first_day AND (q.end_date IS NULL OR q.end_date >= moved.last_day));

ALTER TABLE schedule.work_pattern DROP COLUMN training_date;
