-- From which temperature of the air (Cel) work counts as work in heat; empty where heat
-- is not counted.

-- +goose Up
ALTER TABLE schedule.planning_settings ADD COLUMN heat_temperature text NOT NULL DEFAULT '';
ALTER TABLE schedule.planning_settings ADD CONSTRAINT planning_settings_heat
    CHECK (heat_temperature ~ '^$|^[1-9][0-9](\.[0-9]{1,2})?$');
