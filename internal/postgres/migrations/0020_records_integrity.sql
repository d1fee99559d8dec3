-- What keeps the ledger honest over the years: the signed close of each month, and
-- the holds that say which records must be kept. Both are only ever added to.

-- +goose Up
-- Entries of a month, and of a range of days, are found by when their work ended.
CREATE INDEX entry_by_end ON records.entry (nursery, end_time);

-- Where the ledger stood when a month was closed. The key that signs is not in the
-- database: whoever can change the ledger cannot sign it again.
CREATE TABLE records.close (
    nursery       text        NOT NULL,
    number        bigint      NOT NULL,
    -- What the close says, as the canonical JSON that is signed.
    body          text        NOT NULL,
    signature     bytea       NOT NULL,
    public_key    bytea       NOT NULL,
    -- Copies of what stands in the body, to find closes by.
    month         text        NOT NULL,
    end_time      timestamptz NOT NULL,
    last_sequence bigint      NOT NULL,
    CONSTRAINT close_pk PRIMARY KEY (nursery, number),
    CONSTRAINT close_head FOREIGN KEY (nursery) REFERENCES records.head (nursery),
    CONSTRAINT close_month_once UNIQUE (nursery, month),
    CONSTRAINT close_month_is_one CHECK (month ~ '^[0-9]{4}-(0[1-9]|1[0-2])$'),
    CONSTRAINT close_last_not_negative CHECK (last_sequence >= 0),
    CONSTRAINT close_is_ed25519 CHECK (octet_length(signature) = 64 AND octet_length(public_key) = 32)
);
CREATE INDEX close_by_end ON records.close (nursery, end_time);
GRANT SELECT, INSERT ON records.close TO velamen_app;

-- check_close refuses a close that does not follow the last one, whose head is not
-- the hash of its last entry, or whose columns differ from its body.
-- +goose StatementBegin
CREATE FUNCTION records.check_close() RETURNS trigger
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
        SELECT e.hash INTO head_hash FROM records.entry e WHERE e.nursery = NEW.nursery AND e.sequence = NEW.last_sequence;
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
CREATE TRIGGER check_close BEFORE INSERT ON records.close
    FOR EACH ROW EXECUTE FUNCTION records.check_close();
CREATE TRIGGER refuse_change BEFORE UPDATE OR DELETE OR TRUNCATE ON records.close
    FOR EACH STATEMENT EXECUTE FUNCTION records.refuse_change();

-- A hold is one row when it is placed and another when it is lifted.
CREATE TABLE records.hold (
    nursery     text        NOT NULL,
    number      bigint      NOT NULL,
    -- The hold that this row lifts; null in a row that places one.
    lifts       bigint,
    -- Resource name of the house; null holds all houses.
    house       text,
    -- Days in the nursery's zone; null leaves that end open.
    from_date   date,
    to_date     date,
    reason      text        NOT NULL,
    person      text        NOT NULL,
    create_time timestamptz NOT NULL,
    CONSTRAINT hold_pk PRIMARY KEY (nursery, number),
    CONSTRAINT hold_head FOREIGN KEY (nursery) REFERENCES records.head (nursery),
    CONSTRAINT hold_person FOREIGN KEY (nursery, person) REFERENCES identity.person (nursery, id),
    CONSTRAINT hold_lifts FOREIGN KEY (nursery, lifts) REFERENCES records.hold (nursery, number),
    CONSTRAINT hold_lifted_once UNIQUE (nursery, lifts),
    CONSTRAINT hold_lifts_an_earlier_one CHECK (lifts < number),
    CONSTRAINT hold_lift_has_no_scope CHECK (lifts IS NULL OR num_nonnulls(house, from_date, to_date) = 0),
    CONSTRAINT hold_days_in_order CHECK (from_date <= to_date),
    CONSTRAINT hold_says_why CHECK (reason <> '')
);
GRANT SELECT, INSERT ON records.hold TO velamen_app;

-- check_hold refuses a row that lifts what only lifted something itself, and one
-- out of turn: a number that was left out would look like a hold that was removed.
-- +goose StatementBegin
CREATE FUNCTION records.check_hold() RETURNS trigger
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog AS $$
BEGIN
    PERFORM FROM records.head h WHERE h.nursery = NEW.nursery FOR UPDATE;
    IF NEW.number <> (SELECT count(*) + 1 FROM records.hold h WHERE h.nursery = NEW.nursery) THEN
        RAISE EXCEPTION 'hold % of % does not follow the last one', NEW.number, NEW.nursery
            USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    IF NEW.lifts IS NOT NULL AND EXISTS (
        SELECT FROM records.hold h WHERE h.nursery = NEW.nursery AND h.number = NEW.lifts AND h.lifts IS NOT NULL) THEN
        RAISE EXCEPTION 'row % of the holds of % places no hold', NEW.lifts, NEW.nursery
            USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    RETURN NEW;
END
$$;
-- +goose StatementEnd
CREATE TRIGGER check_hold BEFORE INSERT ON records.hold
    FOR EACH ROW EXECUTE FUNCTION records.check_hold();
CREATE TRIGGER refuse_change BEFORE UPDATE OR DELETE OR TRUNCATE ON records.hold
    FOR EACH STATEMENT EXECUTE FUNCTION records.refuse_change();
