-- Houses, benches, lots, and every plant that came, moved or left.
--
-- Plants are conserved: at commit the plants of every lot that was touched are
-- the sum of its events, and the two events of a transfer cancel out. With that
-- started + received = on hand + disposed + sold holds for every nursery.

-- +goose Up
CREATE SCHEMA stock;
GRANT USAGE ON SCHEMA stock TO velamen_app;

CREATE TABLE stock.house (
    nursery               text        NOT NULL,
    id                    text        NOT NULL,
    display_name          text        NOT NULL,
    area                  numeric     NOT NULL,
    area_unit             text        NOT NULL,
    volume_m3             numeric,
    covering              text        NOT NULL DEFAULT '',
    fan_capacity_m3_per_h numeric,
    passive_vents         boolean     NOT NULL DEFAULT false,
    version               bigint      NOT NULL DEFAULT 1,
    create_time           timestamptz NOT NULL,
    CONSTRAINT house_pk PRIMARY KEY (nursery, id),
    CONSTRAINT house_nursery FOREIGN KEY (nursery) REFERENCES identity.nursery (id),
    CONSTRAINT house_display_name_length CHECK (length(display_name) BETWEEN 1 AND 100),
    CONSTRAINT house_area_above_zero CHECK (area > 0),
    CONSTRAINT house_area_unit_known CHECK (area_unit IN ('m2', 'ha')),
    CONSTRAINT house_volume_above_zero CHECK (volume_m3 > 0),
    CONSTRAINT house_fan_capacity_above_zero CHECK (fan_capacity_m3_per_h > 0),
    CONSTRAINT house_covering_known CHECK (covering IN ('', 'GLASS', 'RIGID_PLASTIC', 'FILM', 'NET'))
);
GRANT SELECT, INSERT ON stock.house TO velamen_app;
GRANT UPDATE (display_name, area, area_unit, volume_m3, covering, fan_capacity_m3_per_h, passive_vents, version)
    ON stock.house TO velamen_app;

-- Houses that share air. Adjoining counts in both directions, so a pair stands
-- once, the lesser id first.
CREATE TABLE stock.adjoining (
    nursery text NOT NULL,
    house_a text NOT NULL,
    house_b text NOT NULL,
    CONSTRAINT adjoining_pk PRIMARY KEY (nursery, house_a, house_b),
    CONSTRAINT adjoining_house_a FOREIGN KEY (nursery, house_a) REFERENCES stock.house (nursery, id),
    CONSTRAINT adjoining_house_b FOREIGN KEY (nursery, house_b) REFERENCES stock.house (nursery, id),
    CONSTRAINT adjoining_once CHECK (house_a COLLATE "C" < house_b COLLATE "C")
);
CREATE INDEX adjoining_by_house_b ON stock.adjoining (nursery, house_b);
GRANT SELECT, INSERT, DELETE ON stock.adjoining TO velamen_app;

CREATE TABLE stock.bench (
    nursery      text        NOT NULL,
    house        text        NOT NULL,
    id           text        NOT NULL,
    display_name text        NOT NULL,
    area_m2      numeric     NOT NULL,
    isolation    boolean     NOT NULL DEFAULT false,
    version      bigint      NOT NULL DEFAULT 1,
    create_time  timestamptz NOT NULL,
    CONSTRAINT bench_pk PRIMARY KEY (nursery, house, id),
    CONSTRAINT bench_house FOREIGN KEY (nursery, house) REFERENCES stock.house (nursery, id),
    CONSTRAINT bench_display_name_length CHECK (length(display_name) BETWEEN 1 AND 100),
    CONSTRAINT bench_area_above_zero CHECK (area_m2 > 0)
);
GRANT SELECT, INSERT ON stock.bench TO velamen_app;
GRANT UPDATE (display_name, area_m2, isolation, version) ON stock.bench TO velamen_app;

-- holding_case is a case's name and has no foreign key: cases belong to a
-- service that reads this one.
CREATE TABLE stock.lot (
    nursery           text        NOT NULL,
    id                text        NOT NULL,
    botanical_name    text        NOT NULL,
    eppo_code         text        NOT NULL DEFAULT '',
    cultivar          text        NOT NULL DEFAULT '',
    container         text        NOT NULL DEFAULT '',
    growth_stage_bbch text        NOT NULL DEFAULT '',
    unit_value        numeric,
    currency_code     text        NOT NULL DEFAULT '',
    origin            text        NOT NULL,
    house             text        NOT NULL,
    bench             text        NOT NULL,
    plants            bigint      NOT NULL,
    holding_case      text        NOT NULL DEFAULT '',
    version           bigint      NOT NULL DEFAULT 1,
    create_time       timestamptz NOT NULL,
    CONSTRAINT lot_pk PRIMARY KEY (nursery, id),
    CONSTRAINT lot_bench FOREIGN KEY (nursery, house, bench) REFERENCES stock.bench (nursery, house, id),
    CONSTRAINT lot_plants_not_negative CHECK (plants >= 0),
    CONSTRAINT lot_origin_known CHECK (origin IN ('STARTED', 'RECEIVED')),
    CONSTRAINT lot_botanical_name_length CHECK (length(botanical_name) BETWEEN 1 AND 120),
    CONSTRAINT lot_unit_value_not_negative CHECK (unit_value >= 0),
    CONSTRAINT lot_unit_value_has_currency CHECK ((unit_value IS NULL) = (currency_code = ''))
);
-- Listings and exports go by id in byte order, whatever the database's collation.
CREATE INDEX lot_by_id ON stock.lot (nursery, id COLLATE "C");
CREATE INDEX lot_by_bench ON stock.lot (nursery, house, bench);
CREATE INDEX lot_by_case ON stock.lot (nursery, holding_case) WHERE holding_case <> '';
GRANT SELECT, INSERT ON stock.lot TO velamen_app;
GRANT UPDATE (botanical_name, eppo_code, cultivar, container, growth_stage_bbch, unit_value, currency_code,
    house, bench, plants, holding_case, version) ON stock.lot TO velamen_app;

-- enter_time is the database's own and cannot be given by who writes an event,
-- so that an event entered late shows as such.
CREATE TABLE stock.lot_event (
    id         bigint      GENERATED ALWAYS AS IDENTITY,
    nursery    text        NOT NULL,
    lot        text        NOT NULL,
    kind       text        NOT NULL,
    plants     bigint      NOT NULL,
    house      text        NOT NULL,
    bench      text        NOT NULL,
    transfer   uuid,
    other_lot  text,
    note       text        NOT NULL DEFAULT '',
    person     text        NOT NULL,
    event_time timestamptz NOT NULL,
    enter_time timestamptz NOT NULL DEFAULT now(),
    CONSTRAINT lot_event_pk PRIMARY KEY (id),
    CONSTRAINT lot_event_lot FOREIGN KEY (nursery, lot) REFERENCES stock.lot (nursery, id),
    CONSTRAINT lot_event_other_lot FOREIGN KEY (nursery, other_lot) REFERENCES stock.lot (nursery, id),
    CONSTRAINT lot_event_bench FOREIGN KEY (nursery, house, bench) REFERENCES stock.bench (nursery, house, id),
    CONSTRAINT lot_event_person FOREIGN KEY (nursery, person) REFERENCES identity.person (nursery, id),
    CONSTRAINT lot_event_sign_of_kind CHECK (CASE kind
        WHEN 'STARTED' THEN plants > 0
        WHEN 'RECEIVED' THEN plants > 0
        WHEN 'MOVED' THEN plants = 0
        WHEN 'TRANSFERRED_OUT' THEN plants < 0
        WHEN 'TRANSFERRED_IN' THEN plants > 0
        WHEN 'DISPOSED' THEN plants < 0
        WHEN 'SOLD' THEN plants < 0
        ELSE false END),
    CONSTRAINT lot_event_transfer_has_other_lot CHECK (
        (kind IN ('TRANSFERRED_OUT', 'TRANSFERRED_IN')) = (transfer IS NOT NULL)
        AND (transfer IS NULL) = (other_lot IS NULL))
);
CREATE INDEX lot_event_by_lot ON stock.lot_event (nursery, lot, event_time, id);
CREATE UNIQUE INDEX lot_event_transfer_once ON stock.lot_event (nursery, transfer, kind) WHERE transfer IS NOT NULL;
GRANT SELECT ON stock.lot_event TO velamen_app;
GRANT INSERT (nursery, lot, kind, plants, house, bench, transfer, other_lot, note, person, event_time)
    ON stock.lot_event TO velamen_app;

-- +goose StatementBegin
CREATE FUNCTION stock.refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'stock.% is append-only; enter what happened as a new event', TG_TABLE_NAME
        USING ERRCODE = 'check_violation', CONSTRAINT = 'lot_event_append_only';
END
$$;
-- +goose StatementEnd

CREATE TRIGGER lot_event_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON stock.lot_event
    FOR EACH STATEMENT EXECUTE FUNCTION stock.refuse_change();

-- One statement decides, because an import runs this twice for every lot; the
-- numbers are read again only for the message.
-- +goose StatementBegin
CREATE FUNCTION stock.check_plants() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    of_lot  text;
    on_hand bigint;
    counted numeric;
BEGIN
    IF TG_TABLE_NAME = 'lot' THEN
        of_lot := NEW.id;
    ELSE
        of_lot := NEW.lot;
    END IF;
    IF (SELECT plants FROM stock.lot WHERE nursery = NEW.nursery AND id = of_lot)
        = (SELECT coalesce(sum(plants), 0) FROM stock.lot_event WHERE nursery = NEW.nursery AND lot = of_lot) THEN
        RETURN NULL;
    END IF;
    SELECT plants INTO on_hand FROM stock.lot WHERE nursery = NEW.nursery AND id = of_lot;
    SELECT coalesce(sum(plants), 0) INTO counted FROM stock.lot_event WHERE nursery = NEW.nursery AND lot = of_lot;
    RAISE EXCEPTION 'lot % has % plants on hand and % by its events', of_lot, on_hand, counted
        USING ERRCODE = 'check_violation', CONSTRAINT = 'lot_plants_conserved';
END
$$;
-- +goose StatementEnd

-- A transfer is two events, out of one lot and into the other, that cancel out.
-- +goose StatementBegin
CREATE FUNCTION stock.check_transfer() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    whole boolean;
BEGIN
    SELECT count(*) = 2 AND sum(plants) = 0
        AND min(lot) = min(other_lot) AND max(lot) = max(other_lot) AND min(lot) <> max(lot)
    INTO whole FROM stock.lot_event WHERE nursery = NEW.nursery AND transfer = NEW.transfer;
    IF NOT whole THEN
        RAISE EXCEPTION 'transfer % does not move the same plants out of one lot and into another', NEW.transfer
            USING ERRCODE = 'check_violation', CONSTRAINT = 'lot_event_transfer_cancels_out';
    END IF;
    RETURN NULL;
END
$$;
-- +goose StatementEnd

CREATE CONSTRAINT TRIGGER lot_plants_conserved AFTER INSERT OR UPDATE OF plants ON stock.lot
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION stock.check_plants();
CREATE CONSTRAINT TRIGGER lot_event_plants_conserved AFTER INSERT ON stock.lot_event
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION stock.check_plants();
CREATE CONSTRAINT TRIGGER lot_event_transfer_cancels_out AFTER INSERT ON stock.lot_event
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW WHEN (NEW.transfer IS NOT NULL) EXECUTE FUNCTION stock.check_transfer();
