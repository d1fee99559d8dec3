-- Cases, their programs, what happened in them and what was applied.

-- +goose Up
CREATE SCHEMA treatment;
GRANT USAGE ON SCHEMA treatment TO velamen_app;

-- Versions of templates that a nursery published; those that come with the
-- binary are not here.
CREATE TABLE treatment.template (
    nursery     text        NOT NULL,
    id          text        NOT NULL,
    version     int         NOT NULL,
    body        jsonb       NOT NULL,
    person      text        NOT NULL,
    create_time timestamptz NOT NULL,
    CONSTRAINT template_pk PRIMARY KEY (nursery, id, version),
    CONSTRAINT template_nursery FOREIGN KEY (nursery) REFERENCES identity.nursery (id),
    CONSTRAINT template_version_positive CHECK (version >= 1)
);
GRANT SELECT, INSERT ON treatment.template TO velamen_app;

CREATE TABLE treatment.case_number (
    nursery text   NOT NULL,
    last    bigint NOT NULL,
    CONSTRAINT case_number_pk PRIMARY KEY (nursery),
    CONSTRAINT case_number_nursery FOREIGN KEY (nursery) REFERENCES identity.nursery (id)
);
GRANT SELECT, INSERT, UPDATE ON treatment.case_number TO velamen_app;

CREATE TABLE treatment.outbreak (
    nursery     text        NOT NULL,
    id          text        NOT NULL,
    number      bigint      NOT NULL,
    diagnosis   text        NOT NULL,
    state       text        NOT NULL,
    close_note  text        NOT NULL DEFAULT '',
    closed_by   text        NOT NULL DEFAULT '',
    create_time timestamptz NOT NULL,
    CONSTRAINT outbreak_pk PRIMARY KEY (nursery, id),
    CONSTRAINT outbreak_number_unique UNIQUE (nursery, number),
    CONSTRAINT outbreak_nursery FOREIGN KEY (nursery) REFERENCES identity.nursery (id),
    CONSTRAINT outbreak_diagnosis FOREIGN KEY (nursery, diagnosis) REFERENCES diagnosis.diagnosis (nursery, id),
    CONSTRAINT outbreak_state_known CHECK (state IN ('OPEN', 'IN_PROGRAM', 'RELEASED', 'DISCARDED', 'CLOSED')),
    CONSTRAINT outbreak_closed_says_why CHECK ((state = 'CLOSED') = (close_note <> '' AND closed_by <> ''))
);
GRANT SELECT, INSERT, UPDATE ON treatment.outbreak TO velamen_app;

-- Lots in a case, from when to when. A lot is in one open case at most.
CREATE TABLE treatment.outbreak_lot (
    nursery    text        NOT NULL,
    outbreak   text        NOT NULL,
    lot        text        NOT NULL,
    joined     timestamptz NOT NULL,
    left_time  timestamptz,
    CONSTRAINT outbreak_lot_pk PRIMARY KEY (nursery, outbreak, lot, joined),
    CONSTRAINT outbreak_lot_outbreak FOREIGN KEY (nursery, outbreak) REFERENCES treatment.outbreak (nursery, id),
    CONSTRAINT outbreak_lot_lot FOREIGN KEY (nursery, lot) REFERENCES stock.lot (nursery, id),
    CONSTRAINT outbreak_lot_leaves_later CHECK (left_time >= joined)
);
CREATE UNIQUE INDEX outbreak_lot_one_open_case ON treatment.outbreak_lot (nursery, lot) WHERE left_time IS NULL;
GRANT SELECT, INSERT, UPDATE ON treatment.outbreak_lot TO velamen_app;

CREATE TABLE treatment.program (
    nursery        text        NOT NULL,
    id             text        NOT NULL,
    number         bigint      NOT NULL,
    outbreak       text        NOT NULL,
    template       jsonb       NOT NULL,
    disorder       text        NOT NULL,
    disorder_class text        NOT NULL,
    status         text        NOT NULL,
    round          int         NOT NULL,
    sequence       bigint      NOT NULL,
    state          jsonb       NOT NULL,
    start_time     timestamptz NOT NULL,
    end_time       timestamptz,
    create_time    timestamptz NOT NULL,
    CONSTRAINT program_pk PRIMARY KEY (nursery, id),
    CONSTRAINT program_one_per_outbreak UNIQUE (nursery, outbreak),
    CONSTRAINT program_outbreak FOREIGN KEY (nursery, outbreak) REFERENCES treatment.outbreak (nursery, id),
    CONSTRAINT program_status_known CHECK (status IN ('RUNNING', 'PAUSED', 'GIVEN_UP', 'RELEASED', 'DISCARDED')),
    CONSTRAINT program_ended_has_end CHECK ((status IN ('RELEASED', 'DISCARDED')) = (end_time IS NOT NULL))
);
CREATE INDEX program_by_number ON treatment.program (nursery, number DESC);
GRANT SELECT, INSERT, UPDATE ON treatment.program TO velamen_app;

-- Steps as the state has them, one row each, for lists by due time.
CREATE TABLE treatment.step (
    nursery      text        NOT NULL,
    program      text        NOT NULL,
    id           text        NOT NULL,
    position     int         NOT NULL,
    status       text        NOT NULL,
    open_time    timestamptz,
    due_time     timestamptz,
    overdue_time timestamptz,
    CONSTRAINT step_pk PRIMARY KEY (nursery, program, id),
    CONSTRAINT step_program FOREIGN KEY (nursery, program) REFERENCES treatment.program (nursery, id),
    CONSTRAINT step_status_known CHECK (status IN ('WAITING', 'READY', 'CONFIRMED', 'DROPPED')),
    CONSTRAINT step_ready_has_times CHECK (
        status <> 'READY' OR (open_time IS NOT NULL AND due_time IS NOT NULL AND overdue_time IS NOT NULL))
);
CREATE INDEX step_by_due_time ON treatment.step (nursery, due_time, program, id) WHERE status = 'READY';
GRANT SELECT, INSERT, UPDATE ON treatment.step TO velamen_app;

-- What happened, in order and for good.
CREATE TABLE treatment.program_event (
    nursery      text        NOT NULL,
    program      text        NOT NULL,
    sequence     bigint      NOT NULL,
    kind         text        NOT NULL,
    step         text        NOT NULL DEFAULT '',
    outcome      text        NOT NULL DEFAULT '',
    person       text        NOT NULL DEFAULT '',
    note         text        NOT NULL DEFAULT '',
    confirmation jsonb,
    event_time   timestamptz NOT NULL,
    create_time  timestamptz NOT NULL,
    CONSTRAINT program_event_pk PRIMARY KEY (nursery, program, sequence),
    CONSTRAINT program_event_program FOREIGN KEY (nursery, program) REFERENCES treatment.program (nursery, id)
        DEFERRABLE INITIALLY DEFERRED,
    CONSTRAINT program_event_confirmation_present CHECK ((kind = 'step_confirmed') = (confirmation IS NOT NULL))
);
GRANT SELECT, INSERT ON treatment.program_event TO velamen_app;

-- +goose StatementBegin
CREATE FUNCTION treatment.refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '% of %.% is refused: what happened is never changed', TG_OP, TG_TABLE_SCHEMA, TG_TABLE_NAME
        USING ERRCODE = 'insufficient_privilege';
END
$$;
-- +goose StatementEnd
CREATE TRIGGER program_event_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON treatment.program_event
    FOR EACH STATEMENT EXECUTE FUNCTION treatment.refuse_change();

CREATE TABLE treatment.application (
    nursery     text        NOT NULL,
    id          text        NOT NULL,
    program     text        NOT NULL,
    step        text        NOT NULL,
    method      text        NOT NULL,
    disorder    text        NOT NULL,
    treatments  jsonb       NOT NULL,
    lots        text[]      NOT NULL,
    start_time  timestamptz NOT NULL,
    end_time    timestamptz NOT NULL,
    applicator  text        NOT NULL,
    rei_hours   numeric     NOT NULL,
    create_time timestamptz NOT NULL,
    CONSTRAINT application_pk PRIMARY KEY (nursery, id),
    CONSTRAINT application_program FOREIGN KEY (nursery, program) REFERENCES treatment.program (nursery, id),
    CONSTRAINT application_applicator FOREIGN KEY (nursery, applicator) REFERENCES identity.person (nursery, id),
    CONSTRAINT application_ends_after_start CHECK (end_time >= start_time),
    CONSTRAINT application_method_known CHECK (method IN ('SPRAY', 'DRENCH', 'BATH')),
    CONSTRAINT application_rei_not_negative CHECK (rei_hours >= 0)
);
CREATE INDEX application_by_time ON treatment.application (nursery, end_time DESC, id);
GRANT SELECT, INSERT ON treatment.application TO velamen_app;
CREATE TRIGGER application_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON treatment.application
    FOR EACH STATEMENT EXECUTE FUNCTION treatment.refuse_change();

-- The resistance groups of each application; a mixture counts in each of its
-- groups.
CREATE TABLE treatment.application_group (
    nursery     text NOT NULL,
    application text NOT NULL,
    program     text NOT NULL,
    step_key    text NOT NULL,
    round       int  NOT NULL,
    frac_code   text NOT NULL,
    CONSTRAINT application_group_pk PRIMARY KEY (nursery, application, frac_code),
    CONSTRAINT application_group_application FOREIGN KEY (nursery, application) REFERENCES treatment.application (nursery, id)
);
CREATE INDEX application_group_by_step ON treatment.application_group (nursery, program, step_key, round);
GRANT SELECT, INSERT ON treatment.application_group TO velamen_app;
CREATE TRIGGER application_group_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON treatment.application_group
    FOR EACH STATEMENT EXECUTE FUNCTION treatment.refuse_change();
CREATE TRIGGER template_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON treatment.template
    FOR EACH STATEMENT EXECUTE FUNCTION treatment.refuse_change();
