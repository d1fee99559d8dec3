-- Steps are listed by their due times whatever their state, without reading them all.

-- +goose Up
CREATE INDEX step_listed ON treatment.step (nursery, due_time, program, id);
