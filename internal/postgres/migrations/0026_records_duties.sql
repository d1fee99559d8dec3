-- What is due about the records, what was done about it, and the removal of entries that
-- no law and no hold keeps any more.

-- +goose Up
-- The laws that a nursery was under before. Its records were made under them too, so
-- they are kept as long as the longest of all says.
CREATE TABLE identity.past_jurisdiction (
    nursery      text        NOT NULL,
    jurisdiction text        NOT NULL,
    -- When the nursery was first put under another law; the database's own clock.
    until_time   timestamptz NOT NULL DEFAULT now(),
    CONSTRAINT past_jurisdiction_pk PRIMARY KEY (nursery, jurisdiction),
    CONSTRAINT past_jurisdiction_nursery FOREIGN KEY (nursery) REFERENCES identity.nursery (id)
);
GRANT SELECT ON identity.past_jurisdiction TO velamen_app;

-- +goose StatementBegin
CREATE FUNCTION identity.keep_past_jurisdiction() RETURNS trigger
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog AS $$
BEGIN
    INSERT INTO identity.past_jurisdiction (nursery, jurisdiction) VALUES (OLD.id, OLD.jurisdiction)
    ON CONFLICT DO NOTHING;
    RETURN NULL;
END
$$;
-- +goose StatementEnd
CREATE TRIGGER keep_past_jurisdiction AFTER UPDATE OF jurisdiction ON identity.nursery
    FOR EACH ROW WHEN (OLD.jurisdiction IS DISTINCT FROM NEW.jurisdiction)
    EXECUTE FUNCTION identity.keep_past_jurisdiction();
CREATE TRIGGER refuse_change BEFORE UPDATE OR DELETE OR TRUNCATE ON identity.past_jurisdiction
    FOR EACH STATEMENT EXECUTE FUNCTION records.refuse_change();

-- What was said of the nursery itself. Every answer is kept: one that was given before
-- may keep records that were made under it.
CREATE TABLE records.duty_settings (
    nursery            text        NOT NULL,
    version            bigint      NOT NULL,
    performer          text        NOT NULL,
    -- NULL was not said.
    trades_in_products boolean,
    monthly_summary    boolean,
    electronic_at_once boolean,
    longer_conversion  boolean,
    person             text        NOT NULL,
    create_time        timestamptz NOT NULL,
    CONSTRAINT duty_settings_pk PRIMARY KEY (nursery, version),
    CONSTRAINT duty_settings_nursery FOREIGN KEY (nursery) REFERENCES identity.nursery (id),
    CONSTRAINT duty_settings_person FOREIGN KEY (nursery, person) REFERENCES identity.person (nursery, id),
    CONSTRAINT duty_settings_from_one CHECK (version >= 1),
    CONSTRAINT duty_settings_performer_known CHECK (performer IN ('UNSPECIFIED', 'GROWER', 'BUSINESS', 'BOTH'))
);
GRANT SELECT, INSERT ON records.duty_settings TO velamen_app;
CREATE TRIGGER refuse_change BEFORE UPDATE OR DELETE OR TRUNCATE ON records.duty_settings
    FOR EACH STATEMENT EXECUTE FUNCTION records.refuse_change();

-- That something that was due was done. Only ever added to.
CREATE TABLE records.duty_done (
    nursery     text        NOT NULL,
    number      bigint      NOT NULL,
    month       text        NOT NULL,
    deadline    text        NOT NULL,
    -- Resource name; NULL for a report of the month.
    application text,
    done_time   timestamptz NOT NULL,
    recipient   text        NOT NULL,
    reference   text        NOT NULL,
    note        text        NOT NULL,
    person      text        NOT NULL,
    create_time timestamptz NOT NULL,
    CONSTRAINT duty_done_pk PRIMARY KEY (nursery, number),
    CONSTRAINT duty_done_nursery FOREIGN KEY (nursery) REFERENCES identity.nursery (id),
    CONSTRAINT duty_done_person FOREIGN KEY (nursery, person) REFERENCES identity.person (nursery, id),
    CONSTRAINT duty_done_from_one CHECK (number >= 1),
    CONSTRAINT duty_done_month_is_one CHECK (month ~ '^[0-9]{4}-(0[1-9]|1[0-2])$'),
    CONSTRAINT duty_done_names_its_row CHECK (deadline <> '' AND application <> '')
);
CREATE INDEX duty_done_by_month ON records.duty_done (nursery, month, number);
GRANT SELECT, INSERT ON records.duty_done TO velamen_app;
CREATE TRIGGER refuse_change BEFORE UPDATE OR DELETE OR TRUNCATE ON records.duty_done
    FOR EACH STATEMENT EXECUTE FUNCTION records.refuse_change();

-- The tombstone of entries that were removed. The ledger begins after the newest.
CREATE TABLE records.purge (
    nursery          text        NOT NULL,
    number           bigint      NOT NULL,
    -- What the tombstone says, as the canonical JSON that is signed.
    body             text        NOT NULL,
    signature        bytea       NOT NULL,
    public_key       bytea       NOT NULL,
    -- Copies of what stands in the body.
    through_sequence bigint      NOT NULL,
    head             bytea       NOT NULL,
    create_time      timestamptz NOT NULL,
    CONSTRAINT purge_pk PRIMARY KEY (nursery, number),
    CONSTRAINT purge_head FOREIGN KEY (nursery) REFERENCES records.head (nursery),
    CONSTRAINT purge_through_once UNIQUE (nursery, through_sequence),
    CONSTRAINT purge_through_an_entry CHECK (through_sequence >= 1),
    CONSTRAINT purge_head_is_sha256 CHECK (octet_length(head) = 32),
    CONSTRAINT purge_is_ed25519 CHECK (octet_length(signature) = 64 AND octet_length(public_key) = 32)
);
-- The services' role adds one through records.purge_entries alone.
GRANT SELECT ON records.purge TO velamen_app;

-- purge_floor is the shortest time for which any law that was read keeps a record of an
-- application: 2 years, 40 CFR 170.311(b)(6) and 3 CCR 6624, from memory. A day less,
-- because years count on the nursery's clock, which may be set forward or back between.
-- What each entry really needs the services work out; this is the floor below which the
-- database lets nothing go, whoever asks.
CREATE FUNCTION records.purge_floor() RETURNS interval
LANGUAGE sql IMMUTABLE SET search_path = pg_catalog AS $$ SELECT interval '2 years' - interval '1 day' $$;

-- check_purge refuses a tombstone that does not follow the last one, that says something
-- else than its columns or the ledger, or that would remove an entry younger than the
-- floor, one that a standing hold covers, or one without its corrections.
-- +goose StatementBegin
CREATE FUNCTION records.check_purge() RETURNS trigger
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog SET timezone = 'UTC' AS $$
DECLARE
    before    records.purge;
    facts     jsonb := NEW.body::jsonb;
    prev_hash bytea := decode(repeat('00', 32), 'hex');
    zone      text;
    counted   bigint;
BEGIN
    PERFORM FROM records.head h WHERE h.nursery = NEW.nursery FOR UPDATE;
    SELECT * INTO before FROM records.purge p WHERE p.nursery = NEW.nursery ORDER BY p.number DESC LIMIT 1;
    IF FOUND THEN
        prev_hash := sha256(convert_to(before.body, 'UTF8') || before.signature);
    END IF;
    IF NEW.number <> coalesce(before.number, 0) + 1 OR NEW.through_sequence <= coalesce(before.through_sequence, 0) THEN
        RAISE EXCEPTION 'purge % of % does not follow the last one', NEW.number, NEW.nursery
            USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    IF NOT EXISTS (SELECT FROM records.entry e
        WHERE e.nursery = NEW.nursery AND e.sequence = NEW.through_sequence AND e.hash = NEW.head) THEN
        RAISE EXCEPTION 'the head of purge % of % is not the hash of entry %', NEW.number, NEW.nursery, NEW.through_sequence
            USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    SELECT count(*) INTO counted FROM records.entry e WHERE e.nursery = NEW.nursery AND e.sequence <= NEW.through_sequence;
    IF (facts ->> 'nursery') IS DISTINCT FROM NEW.nursery
        OR (facts ->> 'number')::bigint IS DISTINCT FROM NEW.number
        OR (facts ->> 'first_sequence')::bigint IS DISTINCT FROM coalesce(before.through_sequence, 0) + 1
        OR (facts ->> 'through_sequence')::bigint IS DISTINCT FROM NEW.through_sequence
        OR (facts ->> 'entries')::bigint IS DISTINCT FROM counted
        OR (facts ->> 'head') IS DISTINCT FROM encode(NEW.head, 'hex')
        OR (facts ->> 'purge_time')::timestamptz IS DISTINCT FROM NEW.create_time
        OR (facts ->> 'prev_purge') IS DISTINCT FROM encode(prev_hash, 'hex')
        OR (facts ->> 'key_id') IS DISTINCT FROM left(encode(sha256(NEW.public_key), 'hex'), 16)
        OR coalesce(facts ->> 'reason', '') = '' THEN
        RAISE EXCEPTION 'purge % of % says something else than its columns or the ledger', NEW.number, NEW.nursery
            USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    -- Whoever asks says what time it is; the database's own clock must agree, or a clock set
    -- forward would let everything go. An hour for clocks that differ: design value.
    IF NEW.create_time > clock_timestamp() + interval '1 hour' THEN
        RAISE EXCEPTION 'purge % of % says %, and the clock of the database %', NEW.number, NEW.nursery, NEW.create_time, clock_timestamp()
            USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    SELECT e.sequence INTO counted FROM records.entry e
    WHERE e.nursery = NEW.nursery AND e.sequence <= NEW.through_sequence AND e.end_time + records.purge_floor() > NEW.create_time
    ORDER BY e.sequence LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'entry % of % is younger than any law that was read lets go', counted, NEW.nursery
            USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    SELECT n.time_zone INTO STRICT zone FROM identity.nursery n WHERE n.id = NEW.nursery;
    SELECT e.sequence INTO counted FROM records.entry e
    JOIN records.hold h ON h.nursery = e.nursery AND h.lifts IS NULL
        AND (h.house IS NULL OR h.house = e.house)
        AND (h.from_date IS NULL OR h.from_date <= (e.end_time AT TIME ZONE zone)::date)
        AND (h.to_date IS NULL OR h.to_date >= (e.start_time AT TIME ZONE zone)::date)
    WHERE e.nursery = NEW.nursery AND e.sequence <= NEW.through_sequence
        AND NOT EXISTS (SELECT FROM records.hold l WHERE l.nursery = h.nursery AND l.lifts = h.number)
    ORDER BY e.sequence LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'a hold covers entry % of %', counted, NEW.nursery
            USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    SELECT e.corrects INTO counted FROM records.entry e
    WHERE e.nursery = NEW.nursery AND e.sequence > NEW.through_sequence AND e.corrects <= NEW.through_sequence
    ORDER BY e.corrects LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'entry % of % would go without its correction', counted, NEW.nursery
            USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    RETURN NEW;
END
$$;
-- +goose StatementEnd
CREATE TRIGGER check_purge BEFORE INSERT ON records.purge
    FOR EACH ROW EXECUTE FUNCTION records.check_purge();

-- remove_purged removes the entries, so that no tombstone stands without its purge.
-- +goose StatementBegin
CREATE FUNCTION records.remove_purged() RETURNS trigger
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog AS $$
BEGIN
    DELETE FROM records.entry e WHERE e.nursery = NEW.nursery AND e.sequence <= NEW.through_sequence;
    RETURN NULL;
END
$$;
-- +goose StatementEnd
CREATE TRIGGER remove_purged AFTER INSERT ON records.purge
    FOR EACH ROW EXECUTE FUNCTION records.remove_purged();
CREATE TRIGGER refuse_change BEFORE UPDATE OR DELETE OR TRUNCATE ON records.purge
    FOR EACH STATEMENT EXECUTE FUNCTION records.refuse_change();

-- Entries are removed from within remove_purged alone.
DROP TRIGGER refuse_change ON records.entry;
CREATE TRIGGER refuse_change BEFORE UPDATE OR TRUNCATE ON records.entry
    FOR EACH STATEMENT EXECUTE FUNCTION records.refuse_change();
CREATE TRIGGER refuse_removal BEFORE DELETE ON records.entry
    FOR EACH STATEMENT WHEN (pg_trigger_depth() = 0) EXECUTE FUNCTION records.refuse_change();

-- purge_entries adds the tombstone and with it removes the entries, or does neither.
-- +goose StatementBegin
CREATE FUNCTION records.purge_entries(of_nursery text, number bigint, body text, signature bytea, public_key bytea,
    through_sequence bigint, head bytea, create_time timestamptz) RETURNS void
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog AS $$
BEGIN
    INSERT INTO records.purge (nursery, number, body, signature, public_key, through_sequence, head, create_time)
    VALUES (of_nursery, purge_entries.number, purge_entries.body, purge_entries.signature, purge_entries.public_key,
        purge_entries.through_sequence, purge_entries.head, purge_entries.create_time);
END
$$;
-- +goose StatementEnd
REVOKE ALL ON FUNCTION records.purge_entries(text, bigint, text, bytea, bytea, bigint, bytea, timestamptz) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION records.purge_entries(text, bigint, text, bytea, bytea, bigint, bytea, timestamptz) TO velamen_app;

-- check_close as before, and it knows the hash of an entry that was purged: a month may
-- be closed after all that it signs has gone.
-- +goose StatementBegin
CREATE OR REPLACE FUNCTION records.check_close() RETURNS trigger
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog AS $$
DECLARE
    before    records.close;
    facts     jsonb := NEW.body::jsonb;
    head_hash bytea := decode(repeat('00', 32), 'hex');
    prev_hash bytea := decode(repeat('00', 32), 'hex');
BEGIN
    PERFORM FROM records.head h WHERE h.nursery = NEW.nursery FOR UPDATE;
    SELECT * INTO before FROM records.close c WHERE c.nursery = NEW.nursery ORDER BY c.number DESC LIMIT 1;
    IF FOUND THEN
        prev_hash := sha256(convert_to(before.body, 'UTF8') || before.signature);
    END IF;
    IF NEW.number <> coalesce(before.number, 0) + 1 OR NEW.month <= coalesce(before.month, '')
        OR NEW.last_sequence < coalesce(before.last_sequence, 0) THEN
        RAISE EXCEPTION 'close % of % does not follow the last one', NEW.month, NEW.nursery
            USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    IF NEW.last_sequence > 0 THEN
        head_hash := coalesce(
            (SELECT e.hash FROM records.entry e WHERE e.nursery = NEW.nursery AND e.sequence = NEW.last_sequence),
            (SELECT p.head FROM records.purge p WHERE p.nursery = NEW.nursery AND p.through_sequence = NEW.last_sequence));
    END IF;
    IF (facts ->> 'head') IS DISTINCT FROM encode(head_hash, 'hex') THEN
        RAISE EXCEPTION 'the head of close % of % is not the hash of entry %', NEW.month, NEW.nursery, NEW.last_sequence
            USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    IF (facts ->> 'nursery') IS DISTINCT FROM NEW.nursery
        OR (facts ->> 'number')::bigint IS DISTINCT FROM NEW.number
        OR (facts ->> 'month') IS DISTINCT FROM NEW.month
        OR (facts ->> 'end_time')::timestamptz IS DISTINCT FROM NEW.end_time
        OR (facts ->> 'last_sequence')::bigint IS DISTINCT FROM NEW.last_sequence
        OR (facts ->> 'prev_close') IS DISTINCT FROM encode(prev_hash, 'hex')
        OR (facts ->> 'key_id') IS DISTINCT FROM left(encode(sha256(NEW.public_key), 'hex'), 16) THEN
        RAISE EXCEPTION 'the columns of close % of % differ from its body', NEW.month, NEW.nursery
            USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    RETURN NEW;
END
$$;
-- +goose StatementEnd
