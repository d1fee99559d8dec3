-- Day plans and what people were told to do.

-- +goose Up
CREATE TABLE schedule.day_plan_number (
    nursery text   NOT NULL,
    last    bigint NOT NULL,
    CONSTRAINT day_plan_number_pk PRIMARY KEY (nursery),
    CONSTRAINT day_plan_number_nursery FOREIGN KEY (nursery) REFERENCES identity.nursery (id)
);
GRANT SELECT, INSERT, UPDATE ON schedule.day_plan_number TO velamen_app;

-- A plan from when it is asked for. While it is worked out the row holds how far
-- that has come, so that another process can go on from there. The problem and the
-- plan that the search began from are kept packed: with seed, rounds and engine they
-- give the same plan again. Costs are whole millionths of a point.
CREATE TABLE schedule.day_plan (
    nursery       text        NOT NULL,
    id            text        NOT NULL,
    number        bigint      NOT NULL,
    state         text        NOT NULL,
    reason        text        NOT NULL,
    origin        text        NOT NULL,
    horizon_days  int         NOT NULL,
    solve_seconds int         NOT NULL,
    seed          bigint      NOT NULL,

    read_time     timestamptz,
    engine        text        NOT NULL DEFAULT '',
    input_hash    bytea       NOT NULL DEFAULT '',
    problem       bytea,
    learnt        jsonb       NOT NULL DEFAULT '[]',
    attempt       int         NOT NULL DEFAULT 0,
    segment       int         NOT NULL DEFAULT 0,
    idle          int         NOT NULL DEFAULT 0,
    rounds        int         NOT NULL DEFAULT 0,
    spent_ms      bigint      NOT NULL DEFAULT 0,
    best          bytea,
    planned       int         NOT NULL DEFAULT 0,
    left_out      int         NOT NULL DEFAULT 0,
    skipped       bigint,
    cost          bigint,
    skipped_bound bigint,
    cost_bound    bigint,

    head          bytea,
    body          bytea,
    plan_hash     bytea       NOT NULL DEFAULT '',
    before        text,
    failure       text        NOT NULL DEFAULT '',
    create_time   timestamptz NOT NULL,
    solve_time    timestamptz,
    decide_time   timestamptz,
    decider       text,
    decide_note   text        NOT NULL DEFAULT '',
    version       bigint      NOT NULL DEFAULT 1,
    CONSTRAINT day_plan_pk PRIMARY KEY (nursery, id),
    CONSTRAINT day_plan_number_unique UNIQUE (nursery, number),
    CONSTRAINT day_plan_nursery FOREIGN KEY (nursery) REFERENCES identity.nursery (id),
    CONSTRAINT day_plan_before FOREIGN KEY (nursery, before) REFERENCES schedule.day_plan (nursery, id),
    CONSTRAINT day_plan_decider FOREIGN KEY (nursery, decider) REFERENCES identity.person (nursery, id),
    CONSTRAINT day_plan_state_known CHECK (state IN ('SOLVING', 'PROPOSED', 'ACCEPTED', 'REJECTED', 'SUPERSEDED', 'FAILED')),
    CONSTRAINT day_plan_reason_given CHECK (reason <> ''),
    CONSTRAINT day_plan_asked_within CHECK (horizon_days BETWEEN 1 AND 28 AND solve_seconds BETWEEN 1 AND 600 AND seed >= 0),
    CONSTRAINT day_plan_progress_counts CHECK (
        attempt >= 0 AND segment >= 0 AND idle >= 0 AND rounds >= 0 AND spent_ms >= 0 AND planned >= 0 AND left_out >= 0),
    CONSTRAINT day_plan_best_has_cost CHECK (best IS NULL OR num_nulls(skipped, cost, skipped_bound, cost_bound, problem, read_time) = 0),
    CONSTRAINT day_plan_solved_has_time CHECK ((state = 'SOLVING') = (solve_time IS NULL)),
    CONSTRAINT day_plan_solved_has_body CHECK (
        (state IN ('SOLVING', 'FAILED')) = (body IS NULL) AND (body IS NULL) = (head IS NULL) AND (body IS NULL OR problem IS NOT NULL)),
    CONSTRAINT day_plan_failed_says_why CHECK ((state = 'FAILED') = (failure <> '')),
    CONSTRAINT day_plan_decided_says_who CHECK (
        (state IN ('ACCEPTED', 'REJECTED')) = (decide_time IS NOT NULL) AND (decide_time IS NULL) = (decider IS NULL))
);
-- A plan that a workflow asks for is made once, however often it asks.
CREATE UNIQUE INDEX day_plan_one_for_an_origin ON schedule.day_plan (nursery, origin) WHERE origin <> '';
CREATE UNIQUE INDEX day_plan_one_proposed ON schedule.day_plan (nursery) WHERE state = 'PROPOSED';
CREATE INDEX day_plan_solving ON schedule.day_plan (nursery, number) WHERE state = 'SOLVING';
GRANT SELECT, INSERT, UPDATE ON schedule.day_plan TO velamen_app;

-- +goose StatementBegin
CREATE FUNCTION schedule.hold_day_plan() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'UPDATE' THEN
        IF OLD.state = 'SOLVING'
            AND NEW.state IN ('SOLVING', 'PROPOSED', 'SUPERSEDED', 'FAILED')
            OR OLD.state = 'PROPOSED' AND NEW.state IN ('ACCEPTED', 'REJECTED', 'SUPERSEDED')
                AND (NEW.state = 'ACCEPTED' OR (NEW.body, NEW.plan_hash) = (OLD.body, OLD.plan_hash)) THEN
            RETURN NEW;
        END IF;
        RAISE EXCEPTION 'a day plan does not go from % to %', OLD.state, NEW.state USING ERRCODE = 'insufficient_privilege';
    END IF;
    RAISE EXCEPTION '% of schedule.day_plan is refused: what was planned is kept', TG_OP USING ERRCODE = 'insufficient_privilege';
END
$$;
-- +goose StatementEnd
CREATE TRIGGER day_plan_held BEFORE UPDATE OR DELETE ON schedule.day_plan
    FOR EACH ROW EXECUTE FUNCTION schedule.hold_day_plan();

-- What a person was told to do, as it was told. Only where it stands changes, once.
CREATE TABLE schedule.assignment (
    nursery      text        NOT NULL,
    id           text        NOT NULL,
    day_plan     text        NOT NULL,
    job          text        NOT NULL,
    person       text,
    sprayer      text,
    prepare_time timestamptz NOT NULL,
    start_time   timestamptz NOT NULL,
    end_time     timestamptz NOT NULL,
    body         bytea       NOT NULL,
    create_time  timestamptz NOT NULL,
    state        text        NOT NULL DEFAULT 'ASSIGNED',
    done_time    timestamptz,
    CONSTRAINT assignment_pk PRIMARY KEY (nursery, id),
    CONSTRAINT assignment_day_plan FOREIGN KEY (nursery, day_plan) REFERENCES schedule.day_plan (nursery, id),
    CONSTRAINT assignment_person FOREIGN KEY (nursery, person) REFERENCES identity.person (nursery, id),
    CONSTRAINT assignment_sprayer FOREIGN KEY (nursery, sprayer) REFERENCES schedule.sprayer (nursery, id),
    CONSTRAINT assignment_times CHECK (prepare_time <= start_time AND start_time <= end_time),
    CONSTRAINT assignment_state_known CHECK (state IN ('ASSIGNED', 'DONE', 'WITHDRAWN')),
    CONSTRAINT assignment_done_has_time CHECK ((state = 'DONE') = (done_time IS NOT NULL))
);
CREATE UNIQUE INDEX assignment_one_for_a_job ON schedule.assignment (nursery, job) WHERE state = 'ASSIGNED';
CREATE INDEX assignment_by_time ON schedule.assignment (nursery, start_time, id);
CREATE INDEX assignment_by_person ON schedule.assignment (nursery, person, start_time, id);
CREATE INDEX assignment_by_job ON schedule.assignment (nursery, job, create_time);
GRANT SELECT, INSERT, UPDATE (state, done_time) ON schedule.assignment TO velamen_app;

-- +goose StatementBegin
CREATE FUNCTION schedule.hold_assignment() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'UPDATE' AND OLD.state = 'ASSIGNED'
        AND (NEW.nursery, NEW.id, NEW.day_plan, NEW.job, NEW.prepare_time, NEW.start_time, NEW.end_time, NEW.body, NEW.create_time)
            = (OLD.nursery, OLD.id, OLD.day_plan, OLD.job, OLD.prepare_time, OLD.start_time, OLD.end_time, OLD.body, OLD.create_time)
        AND NEW.person IS NOT DISTINCT FROM OLD.person AND NEW.sprayer IS NOT DISTINCT FROM OLD.sprayer THEN
        RETURN NEW;
    END IF;
    RAISE EXCEPTION '% of schedule.assignment is refused: what people were told is kept', TG_OP USING ERRCODE = 'insufficient_privilege';
END
$$;
-- +goose StatementEnd
CREATE TRIGGER assignment_held BEFORE UPDATE OR DELETE ON schedule.assignment
    FOR EACH ROW EXECUTE FUNCTION schedule.hold_assignment();

-- The plan's rules keep a person from being told two things for one time; this
-- keeps it from the table whatever wrote it.
-- +goose StatementBegin
CREATE FUNCTION schedule.refuse_two_at_once() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF EXISTS (
        SELECT FROM schedule.assignment a JOIN schedule.assignment b ON b.nursery = a.nursery AND b.person = a.person
        WHERE a.nursery = NEW.nursery AND a.id = NEW.id AND a.state = 'ASSIGNED' AND b.state = 'ASSIGNED' AND b.id <> a.id
          AND b.prepare_time < a.end_time AND a.prepare_time < b.end_time) THEN
        RAISE EXCEPTION 'assignment % of % gives its person two things to do at once', NEW.id, NEW.nursery
            USING ERRCODE = 'exclusion_violation', CONSTRAINT = 'assignment_one_thing_at_a_time';
    END IF;
    RETURN NULL;
END
$$;
-- +goose StatementEnd
CREATE CONSTRAINT TRIGGER assignment_one_thing_at_a_time AFTER INSERT ON schedule.assignment
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION schedule.refuse_two_at_once();

-- +goose StatementBegin
CREATE FUNCTION schedule.refuse_truncate() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'TRUNCATE of %.% is refused', TG_TABLE_SCHEMA, TG_TABLE_NAME USING ERRCODE = 'insufficient_privilege';
END
$$;
-- +goose StatementEnd
CREATE TRIGGER day_plan_kept BEFORE TRUNCATE ON schedule.day_plan
    FOR EACH STATEMENT EXECUTE FUNCTION schedule.refuse_truncate();
CREATE TRIGGER assignment_kept BEFORE TRUNCATE ON schedule.assignment
    FOR EACH STATEMENT EXECUTE FUNCTION schedule.refuse_truncate();
