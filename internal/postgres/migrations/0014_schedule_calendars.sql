-- When people work, when houses are open, how a nursery plans, and what a sprayer
-- needs to be planned.

-- +goose Up
ALTER TABLE schedule.sprayer
    ADD COLUMN smallest_load_l     numeric,
    ADD COLUMN graduation_l        numeric,
    ADD COLUMN output_per_minute_l numeric,
    ADD COLUMN plants_per_hour     int NOT NULL DEFAULT 0,
    ADD COLUMN mix_minutes         int NOT NULL DEFAULT 0,
    ADD COLUMN rinse_minutes       int NOT NULL DEFAULT 0,
    ADD COLUMN rinse_volume_l      numeric,
    ADD CONSTRAINT sprayer_loads_fit CHECK (
        smallest_load_l > 0 AND smallest_load_l <= tank_volume_l AND graduation_l > 0 AND graduation_l <= tank_volume_l),
    ADD CONSTRAINT sprayer_output_above_zero CHECK (output_per_minute_l > 0 AND rinse_volume_l > 0),
    ADD CONSTRAINT sprayer_times_within CHECK (
        plants_per_hour BETWEEN 0 AND 100000 AND mix_minutes BETWEEN 0 AND 600 AND rinse_minutes BETWEEN 0 AND 600);

-- Lists are read and written whole; nothing asks for a part of them.
CREATE TABLE schedule.work_pattern (
    nursery               text    NOT NULL,
    person                text    NOT NULL,
    shifts                jsonb   NOT NULL,
    absences              jsonb   NOT NULL,
    applies               boolean NOT NULL,
    training_date         date,
    max_protected_minutes int     NOT NULL,
    version               bigint  NOT NULL DEFAULT 1,
    CONSTRAINT work_pattern_pk PRIMARY KEY (nursery, person),
    CONSTRAINT work_pattern_person FOREIGN KEY (nursery, person) REFERENCES identity.person (nursery, id),
    CONSTRAINT work_pattern_lists CHECK (jsonb_typeof(shifts) = 'array' AND jsonb_typeof(absences) = 'array'),
    CONSTRAINT work_pattern_protected_within CHECK (max_protected_minutes BETWEEN 0 AND 1440)
);
GRANT SELECT, INSERT, UPDATE ON schedule.work_pattern TO velamen_app;

CREATE TABLE schedule.house_calendar (
    nursery         text    NOT NULL,
    house           text    NOT NULL,
    working_hours   jsonb   NOT NULL,
    spraying_hours  jsonb   NOT NULL,
    engagements     jsonb   NOT NULL,
    closes_by_bench boolean NOT NULL,
    version         bigint  NOT NULL DEFAULT 1,
    CONSTRAINT house_calendar_pk PRIMARY KEY (nursery, house),
    CONSTRAINT house_calendar_house FOREIGN KEY (nursery, house) REFERENCES stock.house (nursery, id),
    CONSTRAINT house_calendar_lists CHECK (
        jsonb_typeof(working_hours) = 'array' AND jsonb_typeof(spraying_hours) = 'array' AND jsonb_typeof(engagements) = 'array')
);
GRANT SELECT, INSERT, UPDATE ON schedule.house_calendar TO velamen_app;

CREATE TABLE schedule.planning_settings (
    nursery              text    NOT NULL,
    weights              jsonb   NOT NULL,
    horizon_days         int     NOT NULL,
    plan_time            text    NOT NULL,
    solve_seconds        int     NOT NULL,
    replan_on_events     boolean NOT NULL,
    work_rates           jsonb   NOT NULL,
    walks                jsonb   NOT NULL,
    default_walk_minutes int     NOT NULL,
    plan_inspections     boolean NOT NULL,
    version              bigint  NOT NULL DEFAULT 1,
    CONSTRAINT planning_settings_pk PRIMARY KEY (nursery),
    CONSTRAINT planning_settings_nursery FOREIGN KEY (nursery) REFERENCES identity.nursery (id),
    CONSTRAINT planning_settings_lists CHECK (
        jsonb_typeof(weights) = 'object' AND jsonb_typeof(work_rates) = 'array' AND jsonb_typeof(walks) = 'array'),
    CONSTRAINT planning_settings_time CHECK (plan_time ~ '^$|^([01][0-9]|2[0-3]):[0-5][0-9]$'),
    CONSTRAINT planning_settings_within CHECK (
        horizon_days BETWEEN 1 AND 28 AND solve_seconds BETWEEN 1 AND 600 AND default_walk_minutes BETWEEN 0 AND 600)
);
GRANT SELECT, INSERT, UPDATE ON schedule.planning_settings TO velamen_app;
