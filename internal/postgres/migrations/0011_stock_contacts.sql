-- By what a disorder can travel from lot to lot: where benches stand, which stand
-- beside each other and share water, and who handled which lots with what. Also
-- which lots an authority holds.

-- +goose Up
ALTER TABLE stock.bench
    ADD COLUMN water_line text NOT NULL DEFAULT '',
    ADD COLUMN x_m        numeric,
    ADD COLUMN y_m        numeric,
    ADD COLUMN length_m   numeric,
    ADD COLUMN width_m    numeric,
    ADD CONSTRAINT bench_water_line_length CHECK (length(water_line) <= 60),
    ADD CONSTRAINT bench_place_whole CHECK (num_nulls(x_m, y_m, length_m, width_m) IN (0, 4)),
    ADD CONSTRAINT bench_place_on_plan CHECK (x_m >= 0 AND y_m >= 0),
    ADD CONSTRAINT bench_place_extent_above_zero CHECK (length_m > 0 AND width_m > 0);
GRANT UPDATE (water_line, x_m, y_m, length_m, width_m) ON stock.bench TO velamen_app;

-- Benches beside each other. Beside counts in both directions, so a pair stands
-- once, the lesser house and bench first.
CREATE TABLE stock.neighbour_bench (
    nursery text NOT NULL,
    house_a text NOT NULL,
    bench_a text NOT NULL,
    house_b text NOT NULL,
    bench_b text NOT NULL,
    CONSTRAINT neighbour_bench_pk PRIMARY KEY (nursery, house_a, bench_a, house_b, bench_b),
    CONSTRAINT neighbour_bench_a FOREIGN KEY (nursery, house_a, bench_a) REFERENCES stock.bench (nursery, house, id),
    CONSTRAINT neighbour_bench_b FOREIGN KEY (nursery, house_b, bench_b) REFERENCES stock.bench (nursery, house, id),
    CONSTRAINT neighbour_bench_once CHECK (
        (house_a COLLATE "C", bench_a COLLATE "C") < (house_b COLLATE "C", bench_b COLLATE "C"))
);
CREATE INDEX neighbour_bench_by_b ON stock.neighbour_bench (nursery, house_b, bench_b);
GRANT SELECT, INSERT, DELETE ON stock.neighbour_bench TO velamen_app;

CREATE TABLE stock.handling (
    nursery             text        NOT NULL,
    id                  text        NOT NULL,
    worker              text        NOT NULL,
    tool_set            text        NOT NULL DEFAULT '',
    disinfected_between boolean     NOT NULL DEFAULT false,
    crate               text        NOT NULL DEFAULT '',
    work                text        NOT NULL,
    start_time          timestamptz NOT NULL,
    end_time            timestamptz NOT NULL,
    person              text        NOT NULL,
    create_time         timestamptz NOT NULL,
    CONSTRAINT handling_pk PRIMARY KEY (nursery, id),
    CONSTRAINT handling_worker FOREIGN KEY (nursery, worker) REFERENCES identity.person (nursery, id),
    CONSTRAINT handling_person FOREIGN KEY (nursery, person) REFERENCES identity.person (nursery, id),
    CONSTRAINT handling_work_length CHECK (length(work) BETWEEN 1 AND 200),
    CONSTRAINT handling_words_length CHECK (length(tool_set) <= 60 AND length(crate) <= 60),
    CONSTRAINT handling_disinfects_tools CHECK (tool_set <> '' OR NOT disinfected_between),
    CONSTRAINT handling_times CHECK (end_time >= start_time AND end_time <= start_time + interval '24 hours')
);
CREATE INDEX handling_by_time ON stock.handling (nursery, start_time, id COLLATE "C");
GRANT SELECT, INSERT ON stock.handling TO velamen_app;
CREATE TRIGGER handling_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON stock.handling
    FOR EACH STATEMENT EXECUTE FUNCTION stock.refuse_change();

-- position is the lot's place in the order in which they were handled, from 0.
CREATE TABLE stock.handling_lot (
    nursery  text     NOT NULL,
    handling text     NOT NULL,
    position smallint NOT NULL,
    lot      text     NOT NULL,
    CONSTRAINT handling_lot_pk PRIMARY KEY (nursery, handling, position),
    CONSTRAINT handling_lot_handling FOREIGN KEY (nursery, handling) REFERENCES stock.handling (nursery, id),
    CONSTRAINT handling_lot_lot FOREIGN KEY (nursery, lot) REFERENCES stock.lot (nursery, id),
    CONSTRAINT handling_lot_once UNIQUE (nursery, lot, handling)
);
GRANT SELECT, INSERT ON stock.handling_lot TO velamen_app;
CREATE TRIGGER handling_lot_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON stock.handling_lot
    FOR EACH STATEMENT EXECUTE FUNCTION stock.refuse_change();

-- Lots that an authority holds. duty is a duty's name and has no foreign key:
-- duties belong to a service that reads this one. A hold that has ended stays, to
-- show that it was one.
CREATE TABLE stock.restriction (
    nursery    text        NOT NULL,
    duty       text        NOT NULL,
    lot        text        NOT NULL,
    no_masking boolean     NOT NULL,
    disorder   text        NOT NULL,
    start_time timestamptz NOT NULL,
    end_time   timestamptz,
    CONSTRAINT restriction_pk PRIMARY KEY (nursery, duty, lot),
    CONSTRAINT restriction_lot FOREIGN KEY (nursery, lot) REFERENCES stock.lot (nursery, id),
    CONSTRAINT restriction_duty_named CHECK (duty <> '')
);
CREATE INDEX restriction_by_lot ON stock.restriction (nursery, lot);
GRANT SELECT, INSERT ON stock.restriction TO velamen_app;
GRANT UPDATE (end_time) ON stock.restriction TO velamen_app;
