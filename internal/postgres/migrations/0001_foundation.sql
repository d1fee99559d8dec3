-- What every service builds on: the application role, remembered requests and
-- the outbox.

-- +goose Up
-- +goose StatementBegin
DO $$
BEGIN
    IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'velamen_app') THEN
        CREATE ROLE velamen_app NOLOGIN;
    END IF;
END
$$;
-- +goose StatementEnd

GRANT SELECT ON goose_db_version TO velamen_app;

CREATE SCHEMA foundation;
GRANT USAGE ON SCHEMA foundation TO velamen_app;

-- A request that was answered. A retry from a phone on bad coverage finds its
-- first answer here; it is written in the transaction of its effect.
CREATE TABLE foundation.request (
    nursery     text        NOT NULL,
    person      text        NOT NULL,
    method      text        NOT NULL,
    request_id  uuid        NOT NULL,
    content     bytea       NOT NULL,
    response    bytea,
    create_time timestamptz NOT NULL,
    CONSTRAINT request_pk PRIMARY KEY (nursery, person, method, request_id),
    CONSTRAINT request_content_is_sha256 CHECK (octet_length(content) = 32)
);
CREATE INDEX request_by_time ON foundation.request (create_time);
GRANT SELECT, INSERT, UPDATE, DELETE ON foundation.request TO velamen_app;

-- What happened and must travel: written in the transaction of the change,
-- delivered to each consumer at least once and in order for one subject.
CREATE TABLE foundation.outbox_event (
    id          bigint      GENERATED ALWAYS AS IDENTITY,
    topic       text        NOT NULL,
    nursery     text        NOT NULL,
    subject     text        NOT NULL,
    payload     jsonb       NOT NULL,
    create_time timestamptz NOT NULL,
    CONSTRAINT outbox_event_pk PRIMARY KEY (id)
);
GRANT SELECT, INSERT, DELETE ON foundation.outbox_event TO velamen_app;

CREATE TABLE foundation.outbox_delivery (
    event_id     bigint      NOT NULL,
    consumer     text        NOT NULL,
    subject      text        NOT NULL,
    attempts     int         NOT NULL DEFAULT 0,
    next_attempt timestamptz NOT NULL,
    last_error   text,
    CONSTRAINT outbox_delivery_pk PRIMARY KEY (consumer, event_id),
    CONSTRAINT outbox_delivery_event FOREIGN KEY (event_id) REFERENCES foundation.outbox_event (id) ON DELETE CASCADE
);
CREATE INDEX outbox_delivery_by_subject ON foundation.outbox_delivery (consumer, subject, event_id);
GRANT SELECT, INSERT, UPDATE, DELETE ON foundation.outbox_delivery TO velamen_app;
