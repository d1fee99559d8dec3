-- Who went into a house, as what and by which rules, and which notices of an
-- application were given. Both are evidence: a row is only ever added. The end of an
-- entry comes later than the row and is written once.

-- +goose Up
CREATE TABLE treatment.house_entry (
    nursery              text        NOT NULL,
    id                   text        NOT NULL,
    house                text        NOT NULL,
    person               text        NOT NULL,
    kind                 text        NOT NULL,
    purpose              text        NOT NULL,
    protective_equipment text        NOT NULL,
    start_time           timestamptz NOT NULL,
    -- NULL while the person is inside.
    end_time             timestamptz,
    -- Answers of yes or no; NULL where nobody said.
    contact              boolean,
    hand_labour          boolean,
    unforeseen           boolean,
    declared             boolean,
    -- Why it happened though a rule forbids it; empty for what is allowed.
    breach_note          text        NOT NULL,
    -- What the rules said, in the contract's JSON form: it is kept to be read years
    -- later, and an auditor can read it with SQL alone.
    grounds              jsonb       NOT NULL,
    recorder             text        NOT NULL,
    create_time          timestamptz NOT NULL,
    -- Who wrote down the end later, and when; NULL where it came with the row.
    end_recorder         text,
    end_create_time      timestamptz,
    CONSTRAINT house_entry_pk PRIMARY KEY (nursery, id),
    CONSTRAINT house_entry_house FOREIGN KEY (nursery, house) REFERENCES stock.house (nursery, id),
    CONSTRAINT house_entry_person FOREIGN KEY (nursery, person) REFERENCES identity.person (nursery, id),
    CONSTRAINT house_entry_recorder FOREIGN KEY (nursery, recorder) REFERENCES identity.person (nursery, id),
    CONSTRAINT house_entry_end_recorder FOREIGN KEY (nursery, end_recorder) REFERENCES identity.person (nursery, id),
    CONSTRAINT house_entry_kind_known CHECK (kind IN
        ('ORDINARY', 'HANDLER', 'NO_CONTACT', 'SHORT_TERM', 'EMERGENCY', 'LIMITED_CONTACT')),
    CONSTRAINT house_entry_says_what_for CHECK (purpose <> ''),
    CONSTRAINT house_entry_ends_later CHECK (end_time >= start_time),
    CONSTRAINT house_entry_early_has_an_end CHECK (kind IN ('ORDINARY', 'HANDLER') OR end_time IS NOT NULL),
    CONSTRAINT house_entry_ended_whole CHECK (num_nulls(end_recorder, end_create_time) IN (0, 2)
        AND (end_recorder IS NULL OR end_time IS NOT NULL)),
    CONSTRAINT house_entry_grounds_are_a_list CHECK (jsonb_typeof(grounds) = 'array'),
    -- What a rule forbids is there only with a word why, and that word only then.
    CONSTRAINT house_entry_breach_says_why CHECK (
        jsonb_path_exists(grounds, '$[*] ? (@.refuses == true)') = (breach_note <> ''))
);
CREATE INDEX house_entry_newest ON treatment.house_entry (nursery, start_time DESC, id COLLATE "C" DESC);
CREATE INDEX house_entry_by_house ON treatment.house_entry (nursery, house, start_time DESC, id COLLATE "C" DESC);
CREATE INDEX house_entry_by_person ON treatment.house_entry (nursery, person, start_time DESC, id COLLATE "C" DESC);
GRANT SELECT, INSERT, UPDATE (end_time, end_recorder, end_create_time) ON treatment.house_entry TO velamen_app;

-- keep_house_entry lets a row change once: by the end of one that had none.
-- +goose StatementBegin
CREATE FUNCTION treatment.keep_house_entry() RETURNS trigger
LANGUAGE plpgsql SET search_path = pg_catalog AS $$
BEGIN
    IF OLD.end_time IS NULL AND NEW.end_time IS NOT NULL AND NEW.end_recorder IS NOT NULL
        AND to_jsonb(OLD) - ARRAY['end_time', 'end_recorder', 'end_create_time']
          = to_jsonb(NEW) - ARRAY['end_time', 'end_recorder', 'end_create_time'] THEN
        RETURN NEW;
    END IF;
    RAISE EXCEPTION 'treatment.house_entry is written once, and its end once' USING ERRCODE = 'restrict_violation';
END
$$;
-- +goose StatementEnd
CREATE TRIGGER house_entry_written_once BEFORE UPDATE ON treatment.house_entry
    FOR EACH ROW EXECUTE FUNCTION treatment.keep_house_entry();
CREATE TRIGGER house_entry_append_only BEFORE DELETE OR TRUNCATE ON treatment.house_entry
    FOR EACH STATEMENT EXECUTE FUNCTION treatment.refuse_change();

-- What was done of the notices that an application asks for in a house. Which are due
-- follows from the rules; only what was done is kept.
CREATE TABLE treatment.notice_done (
    nursery     text        NOT NULL,
    application text        NOT NULL,
    house       text        NOT NULL,
    kind        text        NOT NULL,
    done_time   timestamptz NOT NULL,
    person      text        NOT NULL,
    note        text        NOT NULL,
    create_time timestamptz NOT NULL,
    CONSTRAINT notice_done_pk PRIMARY KEY (nursery, application, house, kind),
    CONSTRAINT notice_done_application FOREIGN KEY (nursery, application) REFERENCES treatment.application (nursery, id),
    CONSTRAINT notice_done_house FOREIGN KEY (nursery, house) REFERENCES stock.house (nursery, id),
    CONSTRAINT notice_done_person FOREIGN KEY (nursery, person) REFERENCES identity.person (nursery, id),
    CONSTRAINT notice_done_kind_known CHECK (kind IN
        ('SIGNS_UP', 'SIGNS_DOWN', 'SPOKEN', 'DISPLAYED', 'DISPLAY_REMOVED', 'SUPPLIES'))
);
GRANT SELECT, INSERT ON treatment.notice_done TO velamen_app;
CREATE TRIGGER notice_done_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON treatment.notice_done
    FOR EACH STATEMENT EXECUTE FUNCTION treatment.refuse_change();

-- check_notice refuses what is taken away before it was put up.
-- +goose StatementBegin
CREATE FUNCTION treatment.check_notice() RETURNS trigger
LANGUAGE plpgsql SET search_path = pg_catalog AS $$
DECLARE
    begun text := CASE NEW.kind WHEN 'SIGNS_DOWN' THEN 'SIGNS_UP' WHEN 'DISPLAY_REMOVED' THEN 'DISPLAYED' END;
BEGIN
    IF begun IS NOT NULL AND NOT EXISTS (
        SELECT FROM treatment.notice_done d
        WHERE d.nursery = NEW.nursery AND d.application = NEW.application AND d.house = NEW.house
          AND d.kind = begun AND d.done_time <= NEW.done_time) THEN
        RAISE EXCEPTION '% of % in % comes before %', NEW.kind, NEW.application, NEW.house, begun
            USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    RETURN NEW;
END
$$;
-- +goose StatementEnd
CREATE TRIGGER check_notice BEFORE INSERT ON treatment.notice_done
    FOR EACH ROW EXECUTE FUNCTION treatment.check_notice();
