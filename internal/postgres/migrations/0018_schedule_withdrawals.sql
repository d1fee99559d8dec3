-- When an assignment was withdrawn: what was withdrawn after it should have begun may
-- have been done, so that its houses are closed until its re-entry is over.

-- +goose Up
ALTER TABLE schedule.assignment ADD COLUMN withdraw_time timestamptz;
ALTER TABLE schedule.assignment ADD CONSTRAINT assignment_withdrawn_when CHECK (withdraw_time IS NULL OR state = 'WITHDRAWN');
GRANT UPDATE (withdraw_time) ON schedule.assignment TO velamen_app;
