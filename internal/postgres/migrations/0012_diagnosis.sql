-- Signs of a whole bench, sizes of photos, samples with their results, what was
-- proposed when a diagnosis was confirmed, and duties towards an authority.
--
-- A sample's result, a notification and the end of a duty come later than the row;
-- each is written once. NULL is what has not come yet.

-- +goose Up
ALTER TABLE diagnosis.observation
    DROP CONSTRAINT observation_organ_known,
    ADD CONSTRAINT observation_organ_known CHECK (
        organ IN ('LEAF', 'ROOT', 'STEM', 'PSEUDOBULB', 'CROWN', 'FLOWER', 'WHOLE_PLANT', 'BENCH'));

-- NULL in photos that were kept before sizes were.
ALTER TABLE diagnosis.photo
    ADD COLUMN width  int,
    ADD COLUMN height int,
    ADD CONSTRAINT photo_measured_or_old CHECK (
        (width IS NULL AND height IS NULL) OR (width BETWEEN 1 AND 20000 AND height BETWEEN 1 AND 20000 AND width IS NOT NULL AND height IS NOT NULL));

-- What velamen proposed, in the contract's JSON form and not as bytes: it is kept to
-- be read years later, and an auditor can read it with SQL alone. NULL in diagnoses
-- that were confirmed before there were proposals, and where none could be made.
ALTER TABLE diagnosis.diagnosis ADD COLUMN assessment jsonb;

-- +goose StatementBegin
CREATE FUNCTION diagnosis.fill_once() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    changed text;
BEGIN
    SELECT old_column.key INTO changed
    FROM jsonb_each(to_jsonb(OLD)) AS old_column
    WHERE old_column.value <> 'null'::jsonb AND old_column.value IS DISTINCT FROM to_jsonb(NEW) -> old_column.key
    LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'diagnosis.%.% is written once', TG_TABLE_NAME, changed USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
END;
$$;
-- +goose StatementEnd

CREATE TABLE diagnosis.sample (
    nursery      text        NOT NULL,
    id           text        NOT NULL,
    inspection   text        NOT NULL,
    test         text        NOT NULL,
    organs       text[]      NOT NULL,
    plants       bigint      NOT NULL,
    laboratory   text        NOT NULL,
    reference    text,
    send_time    timestamptz NOT NULL,
    note         text        NOT NULL,
    sender       text        NOT NULL,
    create_time  timestamptz NOT NULL,
    receive_time timestamptz,
    receiver     text,
    outcome      text,
    disorder     text,
    report       text,
    report_time  timestamptz,
    reporter     text,
    CONSTRAINT sample_pk PRIMARY KEY (nursery, id),
    CONSTRAINT sample_inspection FOREIGN KEY (nursery, inspection) REFERENCES diagnosis.inspection (nursery, id),
    CONSTRAINT sample_sender FOREIGN KEY (nursery, sender) REFERENCES identity.person (nursery, id),
    CONSTRAINT sample_receiver FOREIGN KEY (nursery, receiver) REFERENCES identity.person (nursery, id),
    CONSTRAINT sample_reporter FOREIGN KEY (nursery, reporter) REFERENCES identity.person (nursery, id),
    CONSTRAINT sample_of_plants CHECK (plants >= 1),
    CONSTRAINT sample_organs_known CHECK (
        organs <@ ARRAY['LEAF', 'ROOT', 'STEM', 'PSEUDOBULB', 'CROWN', 'FLOWER', 'WHOLE_PLANT', 'BENCH']),
    CONSTRAINT sample_outcome_known CHECK (outcome IN ('POSITIVE', 'NEGATIVE', 'INCONCLUSIVE')),
    CONSTRAINT sample_received_whole CHECK ((receive_time IS NULL) = (receiver IS NULL)),
    -- A result is there with all that belongs to it, or not at all; disorder is the
    -- empty text where the laboratory named none.
    CONSTRAINT sample_reported_whole CHECK (num_nulls(outcome, disorder, report, report_time, reporter) IN (0, 5)),
    CONSTRAINT sample_disorder_only_when_positive CHECK (disorder = '' OR outcome = 'POSITIVE'),
    CONSTRAINT sample_in_order CHECK (receive_time >= send_time AND report_time >= coalesce(receive_time, send_time))
);
CREATE INDEX sample_by_time ON diagnosis.sample (nursery, send_time, id);
CREATE INDEX sample_by_inspection ON diagnosis.sample (nursery, inspection, send_time, id);
GRANT SELECT, INSERT, UPDATE (reference, receive_time, receiver, outcome, disorder, report, report_time, reporter) ON diagnosis.sample TO velamen_app;
CREATE TRIGGER sample_written_once BEFORE UPDATE ON diagnosis.sample FOR EACH ROW EXECUTE FUNCTION diagnosis.fill_once();

-- The samples whose results a diagnosis rests on.
CREATE TABLE diagnosis.ground_sample (
    nursery   text NOT NULL,
    diagnosis text NOT NULL,
    position  int  NOT NULL,
    sample    text NOT NULL,
    CONSTRAINT ground_sample_pk PRIMARY KEY (nursery, diagnosis, position),
    CONSTRAINT ground_sample_once UNIQUE (nursery, diagnosis, sample),
    CONSTRAINT ground_sample_diagnosis FOREIGN KEY (nursery, diagnosis) REFERENCES diagnosis.diagnosis (nursery, id),
    CONSTRAINT ground_sample_sample FOREIGN KEY (nursery, sample) REFERENCES diagnosis.sample (nursery, id)
);
GRANT SELECT, INSERT ON diagnosis.ground_sample TO velamen_app;

-- What the law demanded is kept as it stood then; pest is an identifier of the data
-- that the binary carries.
CREATE TABLE diagnosis.duty (
    nursery        text        NOT NULL,
    id             text        NOT NULL,
    pest           text        NOT NULL,
    disorder       text        NOT NULL,
    diagnosis      text,
    demand         text        NOT NULL,
    authority      text        NOT NULL,
    source         text        NOT NULL,
    no_masking     boolean     NOT NULL,
    suspect_time   timestamptz NOT NULL,
    notify_by_time timestamptz NOT NULL,
    raiser         text        NOT NULL,
    create_time    timestamptz NOT NULL,
    notify_time    timestamptz,
    notifier       text,
    reference      text,
    end_time       timestamptz,
    ender          text,
    end_grounds    text,
    CONSTRAINT duty_pk PRIMARY KEY (nursery, id),
    CONSTRAINT duty_diagnosis FOREIGN KEY (nursery, diagnosis) REFERENCES diagnosis.diagnosis (nursery, id),
    CONSTRAINT duty_raiser FOREIGN KEY (nursery, raiser) REFERENCES identity.person (nursery, id),
    CONSTRAINT duty_notifier FOREIGN KEY (nursery, notifier) REFERENCES identity.person (nursery, id),
    CONSTRAINT duty_ender FOREIGN KEY (nursery, ender) REFERENCES identity.person (nursery, id),
    CONSTRAINT duty_notified_whole CHECK (num_nulls(notify_time, notifier, reference) IN (0, 3)),
    CONSTRAINT duty_ended_whole CHECK (num_nulls(end_time, ender, end_grounds) IN (0, 3)),
    CONSTRAINT duty_in_order CHECK (notify_by_time >= suspect_time AND notify_time >= suspect_time AND end_time >= suspect_time)
);
CREATE INDEX duty_by_deadline ON diagnosis.duty (nursery, notify_by_time, id);
GRANT SELECT, INSERT, UPDATE (notify_time, notifier, reference, end_time, ender, end_grounds) ON diagnosis.duty TO velamen_app;
CREATE TRIGGER duty_written_once BEFORE UPDATE ON diagnosis.duty FOR EACH ROW EXECUTE FUNCTION diagnosis.fill_once();

-- The lots on official hold because of a duty.
CREATE TABLE diagnosis.duty_lot (
    nursery  text NOT NULL,
    duty     text NOT NULL,
    position int  NOT NULL,
    lot      text NOT NULL,
    CONSTRAINT duty_lot_pk PRIMARY KEY (nursery, duty, position),
    CONSTRAINT duty_lot_once UNIQUE (nursery, duty, lot),
    CONSTRAINT duty_lot_duty FOREIGN KEY (nursery, duty) REFERENCES diagnosis.duty (nursery, id),
    CONSTRAINT duty_lot_lot FOREIGN KEY (nursery, lot) REFERENCES stock.lot (nursery, id)
);
CREATE INDEX duty_lot_by_lot ON diagnosis.duty_lot (nursery, lot);
GRANT SELECT, INSERT ON diagnosis.duty_lot TO velamen_app;

-- The inspections that raised a duty.
CREATE TABLE diagnosis.duty_inspection (
    nursery    text NOT NULL,
    duty       text NOT NULL,
    position   int  NOT NULL,
    inspection text NOT NULL,
    CONSTRAINT duty_inspection_pk PRIMARY KEY (nursery, duty, position),
    CONSTRAINT duty_inspection_once UNIQUE (nursery, duty, inspection),
    CONSTRAINT duty_inspection_duty FOREIGN KEY (nursery, duty) REFERENCES diagnosis.duty (nursery, id),
    CONSTRAINT duty_inspection_inspection FOREIGN KEY (nursery, inspection) REFERENCES diagnosis.inspection (nursery, id)
);
GRANT SELECT, INSERT ON diagnosis.duty_inspection TO velamen_app;

-- The duties that follow from a diagnosis: those it raised, and those that a
-- suspicion had raised before.
CREATE TABLE diagnosis.diagnosis_duty (
    nursery   text NOT NULL,
    diagnosis text NOT NULL,
    position  int  NOT NULL,
    duty      text NOT NULL,
    CONSTRAINT diagnosis_duty_pk PRIMARY KEY (nursery, diagnosis, position),
    CONSTRAINT diagnosis_duty_once UNIQUE (nursery, diagnosis, duty),
    CONSTRAINT diagnosis_duty_diagnosis FOREIGN KEY (nursery, diagnosis) REFERENCES diagnosis.diagnosis (nursery, id),
    CONSTRAINT diagnosis_duty_duty FOREIGN KEY (nursery, duty) REFERENCES diagnosis.duty (nursery, id)
);
GRANT SELECT, INSERT ON diagnosis.diagnosis_duty TO velamen_app;

-- What a photo shows: signs that its inspection found.
CREATE TABLE diagnosis.photo_sign (
    nursery    text NOT NULL,
    inspection text NOT NULL,
    sha256     text NOT NULL,
    organ      text NOT NULL,
    sign       text NOT NULL,
    CONSTRAINT photo_sign_pk PRIMARY KEY (nursery, inspection, sha256, organ, sign),
    CONSTRAINT photo_sign_photo FOREIGN KEY (nursery, inspection, sha256) REFERENCES diagnosis.photo (nursery, inspection, sha256),
    CONSTRAINT photo_sign_observation FOREIGN KEY (nursery, inspection, organ, sign)
        REFERENCES diagnosis.observation (nursery, inspection, organ, sign)
);
GRANT SELECT, INSERT ON diagnosis.photo_sign TO velamen_app;
