-- The ledger of chemical applications. It is evidence: entries are only ever
-- added, and each carries the hash of the one before it.

-- +goose Up
CREATE SCHEMA records;
GRANT USAGE ON SCHEMA records TO velamen_app;

-- Where each nursery's ledger ends. Only the ledger's own functions move it.
CREATE TABLE records.head (
    nursery  text   NOT NULL,
    sequence bigint NOT NULL,
    hash     bytea  NOT NULL,
    CONSTRAINT head_pk PRIMARY KEY (nursery),
    CONSTRAINT head_nursery FOREIGN KEY (nursery) REFERENCES identity.nursery (id),
    CONSTRAINT head_sequence_not_negative CHECK (sequence >= 0),
    CONSTRAINT head_hash_is_sha256 CHECK (octet_length(hash) = 32)
);
GRANT SELECT ON records.head TO velamen_app;

CREATE TABLE records.entry (
    nursery     text        NOT NULL,
    sequence    bigint      NOT NULL,
    -- What the entry says, as the canonical JSON that is hashed.
    body        text        NOT NULL,
    prev_hash   bytea       NOT NULL,
    hash        bytea       NOT NULL,
    -- Copies of what stands in the body, to find entries by.
    application text        NOT NULL,
    house       text        NOT NULL,
    product     text        NOT NULL,
    start_time  timestamptz NOT NULL,
    end_time    timestamptz NOT NULL,
    corrects    bigint,
    CONSTRAINT entry_pk PRIMARY KEY (nursery, sequence),
    CONSTRAINT entry_head FOREIGN KEY (nursery) REFERENCES records.head (nursery),
    CONSTRAINT entry_corrects FOREIGN KEY (nursery, corrects) REFERENCES records.entry (nursery, sequence),
    CONSTRAINT entry_corrected_once UNIQUE (nursery, corrects),
    CONSTRAINT entry_corrects_an_earlier_one CHECK (corrects < sequence),
    CONSTRAINT entry_times_in_order CHECK (start_time <= end_time),
    CONSTRAINT entry_hash_is_sha256 CHECK (octet_length(hash) = 32 AND octet_length(prev_hash) = 32)
);
-- An application enters each product in each house once, however often its
-- event is delivered.
CREATE UNIQUE INDEX entry_once ON records.entry (nursery, application, house, product) WHERE corrects IS NULL;
CREATE INDEX entry_by_house ON records.entry (nursery, house, start_time);
GRANT SELECT, INSERT ON records.entry TO velamen_app;

-- lock_head holds the end of a nursery's ledger until the transaction ends, so
-- that appends come one after the other, and returns it.
-- +goose StatementBegin
CREATE FUNCTION records.lock_head(of_nursery text) RETURNS TABLE (last_sequence bigint, last_hash bytea)
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog AS $$
BEGIN
    INSERT INTO records.head (nursery, sequence, hash)
    VALUES (of_nursery, 0, decode(repeat('00', 32), 'hex'))
    ON CONFLICT DO NOTHING;
    RETURN QUERY SELECT h.sequence, h.hash FROM records.head h WHERE h.nursery = of_nursery FOR UPDATE;
END
$$;
-- +goose StatementEnd
REVOKE ALL ON FUNCTION records.lock_head(text) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION records.lock_head(text) TO velamen_app;

-- check_append refuses an entry that does not follow the last one, whose hash is
-- not its own, or whose columns differ from its body.
-- +goose StatementBegin
CREATE FUNCTION records.check_append() RETURNS trigger
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog AS $$
DECLARE
    last  records.head;
    facts jsonb;
BEGIN
    SELECT * INTO last FROM records.head h WHERE h.nursery = NEW.nursery FOR UPDATE;
    IF NOT FOUND OR NEW.sequence <> last.sequence + 1 OR NEW.prev_hash <> last.hash THEN
        RAISE EXCEPTION 'entry % of % does not follow the last one', NEW.sequence, NEW.nursery
            USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    IF NEW.hash <> sha256(NEW.prev_hash || convert_to(NEW.body, 'UTF8')) THEN
        RAISE EXCEPTION 'the hash of entry % of % is not its own', NEW.sequence, NEW.nursery
            USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    facts := NEW.body::jsonb;
    IF (facts ->> 'nursery') IS DISTINCT FROM NEW.nursery
        OR (facts ->> 'sequence')::bigint IS DISTINCT FROM NEW.sequence
        OR (facts ->> 'application') IS DISTINCT FROM NEW.application
        OR (facts ->> 'house') IS DISTINCT FROM NEW.house
        OR (facts ->> 'product') IS DISTINCT FROM NEW.product
        OR (facts ->> 'start_time')::timestamptz IS DISTINCT FROM NEW.start_time
        OR (facts ->> 'end_time')::timestamptz IS DISTINCT FROM NEW.end_time
        OR (facts #>> '{correction,corrects}')::bigint IS DISTINCT FROM NEW.corrects THEN
        RAISE EXCEPTION 'the columns of entry % of % differ from its body', NEW.sequence, NEW.nursery
            USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    IF NEW.corrects IS NOT NULL AND NOT EXISTS (
        SELECT FROM records.entry e
        WHERE e.nursery = NEW.nursery AND e.sequence = NEW.corrects
          AND e.application = NEW.application AND e.house = NEW.house AND e.product = NEW.product) THEN
        RAISE EXCEPTION 'entry % of % corrects one about something else', NEW.sequence, NEW.nursery
            USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    RETURN NEW;
END
$$;
-- +goose StatementEnd
CREATE TRIGGER check_append BEFORE INSERT ON records.entry
    FOR EACH ROW EXECUTE FUNCTION records.check_append();

-- +goose StatementBegin
CREATE FUNCTION records.move_head() RETURNS trigger
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog AS $$
BEGIN
    UPDATE records.head h SET sequence = NEW.sequence, hash = NEW.hash WHERE h.nursery = NEW.nursery;
    RETURN NULL;
END
$$;
-- +goose StatementEnd
CREATE TRIGGER move_head AFTER INSERT ON records.entry
    FOR EACH ROW EXECUTE FUNCTION records.move_head();

-- refuse_change refuses every role, the owner too.
-- +goose StatementBegin
CREATE FUNCTION records.refuse_change() RETURNS trigger
LANGUAGE plpgsql SET search_path = pg_catalog AS $$
BEGIN
    RAISE EXCEPTION '% of %.% is refused: the ledger is append-only; add an entry that corrects', TG_OP, TG_TABLE_SCHEMA, TG_TABLE_NAME
        USING ERRCODE = 'insufficient_privilege';
END
$$;
-- +goose StatementEnd
CREATE TRIGGER refuse_change BEFORE UPDATE OR DELETE OR TRUNCATE ON records.entry
    FOR EACH STATEMENT EXECUTE FUNCTION records.refuse_change();
CREATE TRIGGER refuse_change BEFORE DELETE OR TRUNCATE ON records.head
    FOR EACH STATEMENT EXECUTE FUNCTION records.refuse_change();
-- The head moves from within move_head alone.
CREATE TRIGGER refuse_move BEFORE UPDATE ON records.head
    FOR EACH STATEMENT WHEN (pg_trigger_depth() = 0) EXECUTE FUNCTION records.refuse_change();
