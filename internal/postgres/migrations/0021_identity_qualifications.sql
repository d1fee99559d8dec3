-- That a person was trained, cleared, fitted or equipped. It is evidence: a row is only
-- ever added, and voided once when it was entered in error.

-- +goose Up
CREATE TABLE identity.qualification (
    nursery     text        NOT NULL,
    person      text        NOT NULL,
    id          text        NOT NULL,
    kind        text        NOT NULL,
    date        date        NOT NULL,
    -- NULL has no end.
    end_date    date,
    description text        NOT NULL,
    provider    text        NOT NULL,
    recorder    text        NOT NULL,
    create_time timestamptz NOT NULL,
    void_reason text,
    voider      text,
    void_time   timestamptz,
    CONSTRAINT qualification_pk PRIMARY KEY (nursery, person, id),
    CONSTRAINT qualification_person FOREIGN KEY (nursery, person) REFERENCES identity.person (nursery, id),
    CONSTRAINT qualification_recorder FOREIGN KEY (nursery, recorder) REFERENCES identity.person (nursery, id),
    CONSTRAINT qualification_voider FOREIGN KEY (nursery, voider) REFERENCES identity.person (nursery, id),
    CONSTRAINT qualification_kind_known CHECK (kind IN
        ('WORKER_TRAINING', 'HANDLER_TRAINING', 'MEDICAL_CLEARANCE', 'FIT_TEST', 'EQUIPMENT_ISSUE', 'FULL_AGE')),
    CONSTRAINT qualification_ends_later CHECK (end_date >= date),
    CONSTRAINT qualification_voided_whole CHECK (num_nonnulls(void_reason, voider, void_time) IN (0, 3))
);
CREATE INDEX qualification_newest ON identity.qualification (nursery, create_time, id);
GRANT SELECT, INSERT ON identity.qualification TO velamen_app;
GRANT UPDATE (void_reason, voider, void_time) ON identity.qualification TO velamen_app;

-- +goose StatementBegin
CREATE FUNCTION identity.keep_qualification() RETURNS trigger
LANGUAGE plpgsql SET search_path = pg_catalog AS $$
BEGIN
    IF TG_OP = 'UPDATE' THEN
        IF OLD.void_time IS NULL
            AND ROW(OLD.nursery, OLD.person, OLD.id, OLD.kind, OLD.date, OLD.end_date, OLD.description, OLD.provider, OLD.recorder, OLD.create_time)
            IS NOT DISTINCT FROM
            ROW(NEW.nursery, NEW.person, NEW.id, NEW.kind, NEW.date, NEW.end_date, NEW.description, NEW.provider, NEW.recorder, NEW.create_time) THEN
            RETURN NEW;
        END IF;
    END IF;
    RAISE EXCEPTION 'identity.qualification is written once' USING ERRCODE = 'restrict_violation';
END
$$;
-- +goose StatementEnd
CREATE TRIGGER keep_qualification BEFORE UPDATE OR DELETE ON identity.qualification
    FOR EACH ROW EXECUTE FUNCTION identity.keep_qualification();
CREATE TRIGGER keep_all_qualifications BEFORE TRUNCATE ON identity.qualification
    FOR EACH STATEMENT EXECUTE FUNCTION identity.keep_qualification();
