-- Nurseries, the people who work in them, and their sign-ins.

-- +goose Up
CREATE SCHEMA identity;
GRANT USAGE ON SCHEMA identity TO velamen_app;

CREATE TABLE identity.nursery (
    id           text        NOT NULL,
    display_name text        NOT NULL,
    time_zone    text        NOT NULL,
    jurisdiction text        NOT NULL,
    address      text        NOT NULL DEFAULT '',
    version      bigint      NOT NULL DEFAULT 1,
    create_time  timestamptz NOT NULL,
    CONSTRAINT nursery_pk PRIMARY KEY (id),
    CONSTRAINT nursery_display_name_length CHECK (length(display_name) BETWEEN 1 AND 100)
);
GRANT SELECT, INSERT, UPDATE ON identity.nursery TO velamen_app;

CREATE TABLE identity.person (
    nursery       text        NOT NULL,
    id            text        NOT NULL,
    display_name  text        NOT NULL,
    role          text        NOT NULL,
    password_hash text        NOT NULL,
    disabled      boolean     NOT NULL DEFAULT false,
    version       bigint      NOT NULL DEFAULT 1,
    create_time   timestamptz NOT NULL,
    CONSTRAINT person_pk PRIMARY KEY (nursery, id),
    CONSTRAINT person_nursery FOREIGN KEY (nursery) REFERENCES identity.nursery (id),
    CONSTRAINT person_role_known CHECK (role IN ('OWNER', 'MANAGER', 'ADVISER', 'WORKER', 'AUDITOR'))
);
GRANT SELECT, INSERT, UPDATE ON identity.person TO velamen_app;

CREATE TABLE identity.certificate (
    nursery     text NOT NULL,
    person      text NOT NULL,
    position    int  NOT NULL,
    number      text NOT NULL,
    category    text NOT NULL DEFAULT '',
    expire_date date NOT NULL,
    CONSTRAINT certificate_pk PRIMARY KEY (nursery, person, position),
    CONSTRAINT certificate_person FOREIGN KEY (nursery, person) REFERENCES identity.person (nursery, id)
);
GRANT SELECT, INSERT, UPDATE, DELETE ON identity.certificate TO velamen_app;

-- Only the hash of a token is kept: who reads the table cannot sign in with it.
CREATE TABLE identity.token (
    hash        bytea       NOT NULL,
    nursery     text        NOT NULL,
    person      text        NOT NULL,
    create_time timestamptz NOT NULL,
    expire_time timestamptz NOT NULL,
    CONSTRAINT token_pk PRIMARY KEY (hash),
    CONSTRAINT token_person FOREIGN KEY (nursery, person) REFERENCES identity.person (nursery, id),
    CONSTRAINT token_hash_is_sha256 CHECK (octet_length(hash) = 32),
    CONSTRAINT token_expires_later CHECK (expire_time > create_time)
);
CREATE INDEX token_by_person ON identity.token (nursery, person);
GRANT SELECT, INSERT, DELETE ON identity.token TO velamen_app;
