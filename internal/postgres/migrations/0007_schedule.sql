-- Sprayers, drench carts and bath stations. Jobs are not kept: they are the open
-- steps of the moment.

-- +goose Up
CREATE SCHEMA schedule;
GRANT USAGE ON SCHEMA schedule TO velamen_app;

CREATE TABLE schedule.sprayer (
    nursery        text        NOT NULL,
    id             text        NOT NULL,
    display_name   text        NOT NULL,
    tank_volume_l  numeric     NOT NULL,
    methods        text[]      NOT NULL,
    out_of_service boolean     NOT NULL,
    version        bigint      NOT NULL DEFAULT 1,
    create_time    timestamptz NOT NULL,
    CONSTRAINT sprayer_pk PRIMARY KEY (nursery, id),
    CONSTRAINT sprayer_nursery FOREIGN KEY (nursery) REFERENCES identity.nursery (id),
    CONSTRAINT sprayer_display_name_length CHECK (length(display_name) BETWEEN 1 AND 100),
    CONSTRAINT sprayer_tank_above_zero CHECK (tank_volume_l > 0),
    CONSTRAINT sprayer_methods_known CHECK (cardinality(methods) > 0 AND methods <@ ARRAY['SPRAY', 'DRENCH', 'BATH'])
);
GRANT SELECT, INSERT, UPDATE ON schedule.sprayer TO velamen_app;
