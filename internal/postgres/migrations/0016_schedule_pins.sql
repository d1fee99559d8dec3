-- What a manager fixed for all plans to come. A job is the name of a step, or of a
-- house for its routine inspection, which is no row; so nothing is referred to.

-- +goose Up
CREATE TABLE schedule.pin (
    nursery     text        NOT NULL,
    job         text        NOT NULL,
    start_time  timestamptz,
    person      text,
    sprayer     text,
    note        text        NOT NULL,
    pinner      text        NOT NULL,
    create_time timestamptz NOT NULL,
    CONSTRAINT pin_pk PRIMARY KEY (nursery, job),
    CONSTRAINT pin_nursery FOREIGN KEY (nursery) REFERENCES identity.nursery (id),
    CONSTRAINT pin_person FOREIGN KEY (nursery, person) REFERENCES identity.person (nursery, id),
    CONSTRAINT pin_sprayer FOREIGN KEY (nursery, sprayer) REFERENCES schedule.sprayer (nursery, id),
    CONSTRAINT pin_pinner FOREIGN KEY (nursery, pinner) REFERENCES identity.person (nursery, id),
    CONSTRAINT pin_fixes_something CHECK (num_nonnulls(start_time, person, sprayer) > 0)
);
GRANT SELECT, INSERT, UPDATE, DELETE ON schedule.pin TO velamen_app;
