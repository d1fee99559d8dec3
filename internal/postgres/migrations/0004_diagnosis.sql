-- What was seen on plants and what a person concluded from it. Nothing here is
-- ever changed: who sees or thinks otherwise later enters a new inspection or
-- diagnosis.

-- +goose Up
CREATE SCHEMA diagnosis;
GRANT USAGE ON SCHEMA diagnosis TO velamen_app;

CREATE TABLE diagnosis.inspection (
    nursery          text        NOT NULL,
    id               text        NOT NULL,
    lot              text,
    house            text,
    bench            text,
    plants_sampled   bigint      NOT NULL,
    plants_affected  bigint      NOT NULL,
    severity_percent int         NOT NULL,
    note             text        NOT NULL DEFAULT '',
    inspect_time     timestamptz NOT NULL,
    inspector        text        NOT NULL,
    create_time      timestamptz NOT NULL,
    CONSTRAINT inspection_pk PRIMARY KEY (nursery, id),
    CONSTRAINT inspection_lot FOREIGN KEY (nursery, lot) REFERENCES stock.lot (nursery, id),
    CONSTRAINT inspection_bench FOREIGN KEY (nursery, house, bench) REFERENCES stock.bench (nursery, house, id),
    CONSTRAINT inspection_inspector FOREIGN KEY (nursery, inspector) REFERENCES identity.person (nursery, id),
    CONSTRAINT inspection_of_a_lot_or_a_bench CHECK (
        (lot IS NOT NULL AND house IS NULL AND bench IS NULL) OR (lot IS NULL AND house IS NOT NULL AND bench IS NOT NULL)),
    CONSTRAINT inspection_affected_within_sampled CHECK (plants_sampled >= 1 AND plants_affected BETWEEN 0 AND plants_sampled),
    CONSTRAINT inspection_severity_is_percent CHECK (severity_percent BETWEEN 0 AND 100)
);
CREATE INDEX inspection_by_time ON diagnosis.inspection (nursery, inspect_time, id);
CREATE INDEX inspection_by_lot ON diagnosis.inspection (nursery, lot, inspect_time, id) WHERE lot IS NOT NULL;
CREATE INDEX inspection_by_bench ON diagnosis.inspection (nursery, house, bench, inspect_time, id) WHERE bench IS NOT NULL;
GRANT SELECT, INSERT ON diagnosis.inspection TO velamen_app;

-- What was not looked for has no row: unknown is not absent.
CREATE TABLE diagnosis.observation (
    nursery    text    NOT NULL,
    inspection text    NOT NULL,
    position   int     NOT NULL,
    organ      text    NOT NULL,
    sign       text    NOT NULL,
    observed   boolean NOT NULL,
    note       text    NOT NULL DEFAULT '',
    CONSTRAINT observation_pk PRIMARY KEY (nursery, inspection, position),
    CONSTRAINT observation_inspection FOREIGN KEY (nursery, inspection) REFERENCES diagnosis.inspection (nursery, id),
    CONSTRAINT observation_once_per_organ UNIQUE (nursery, inspection, organ, sign),
    CONSTRAINT observation_organ_known CHECK (
        organ IN ('LEAF', 'ROOT', 'STEM', 'PSEUDOBULB', 'CROWN', 'FLOWER', 'WHOLE_PLANT'))
);
GRANT SELECT, INSERT ON diagnosis.observation TO velamen_app;

-- The bytes are a file named by their hash; the row is written after the file.
CREATE TABLE diagnosis.photo (
    nursery     text        NOT NULL,
    inspection  text        NOT NULL,
    sha256      text        NOT NULL,
    media_type  text        NOT NULL,
    size_bytes  bigint      NOT NULL,
    uploader    text        NOT NULL,
    create_time timestamptz NOT NULL,
    CONSTRAINT photo_pk PRIMARY KEY (nursery, inspection, sha256),
    CONSTRAINT photo_inspection FOREIGN KEY (nursery, inspection) REFERENCES diagnosis.inspection (nursery, id),
    CONSTRAINT photo_uploader FOREIGN KEY (nursery, uploader) REFERENCES identity.person (nursery, id),
    CONSTRAINT photo_named_by_sha256 CHECK (sha256 ~ '^[0-9a-f]{64}$'),
    CONSTRAINT photo_media_type_known CHECK (media_type IN ('image/jpeg', 'image/png', 'image/webp')),
    CONSTRAINT photo_size CHECK (size_bytes BETWEEN 1 AND 20971520)
);
GRANT SELECT, INSERT ON diagnosis.photo TO velamen_app;

-- The disorder is an identifier of the knowledge that the binary carries.
CREATE TABLE diagnosis.diagnosis (
    nursery      text        NOT NULL,
    id           text        NOT NULL,
    disorder     text        NOT NULL,
    grounds      text        NOT NULL,
    confirmer    text        NOT NULL,
    confirm_time timestamptz NOT NULL,
    create_time  timestamptz NOT NULL,
    CONSTRAINT diagnosis_pk PRIMARY KEY (nursery, id),
    CONSTRAINT diagnosis_confirmer FOREIGN KEY (nursery, confirmer) REFERENCES identity.person (nursery, id),
    CONSTRAINT diagnosis_has_grounds CHECK (length(grounds) BETWEEN 1 AND 2000)
);
CREATE INDEX diagnosis_by_time ON diagnosis.diagnosis (nursery, confirm_time, id);
GRANT SELECT, INSERT ON diagnosis.diagnosis TO velamen_app;

-- The inspections that a diagnosis rests on.
CREATE TABLE diagnosis.ground (
    nursery    text NOT NULL,
    diagnosis  text NOT NULL,
    position   int  NOT NULL,
    inspection text NOT NULL,
    CONSTRAINT ground_pk PRIMARY KEY (nursery, diagnosis, position),
    CONSTRAINT ground_once UNIQUE (nursery, diagnosis, inspection),
    CONSTRAINT ground_diagnosis FOREIGN KEY (nursery, diagnosis) REFERENCES diagnosis.diagnosis (nursery, id),
    CONSTRAINT ground_inspection FOREIGN KEY (nursery, inspection) REFERENCES diagnosis.inspection (nursery, id)
);
GRANT SELECT, INSERT ON diagnosis.ground TO velamen_app;
