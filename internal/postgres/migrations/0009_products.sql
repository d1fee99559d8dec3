-- Whole labels, other names of active ingredients, and the chemical store.

-- +goose Up

-- Labels -----------------------------------------------------------------------

ALTER TABLE products.product
    ADD COLUMN formulation              text,
    ADD COLUMN jurisdiction             text NOT NULL DEFAULT '',
    ADD COLUMN registration_expire_date date,
    ADD COLUMN toxicity_category        text,
    ADD COLUMN cost                     numeric,
    ADD COLUMN cost_currency            text,
    ADD COLUMN cost_per                 numeric,
    ADD COLUMN cost_per_unit            text,
    ADD CONSTRAINT product_formulation_known CHECK (formulation IN
        ('WP', 'WG', 'SP', 'SG', 'SC', 'SE', 'CS', 'ME', 'EC', 'EW', 'OD', 'SL', 'GR', 'DP')),
    ADD CONSTRAINT product_jurisdiction_form CHECK (jurisdiction ~ '^([A-Z]{2}(-[A-Z0-9]{1,3})?)?$'),
    ADD CONSTRAINT product_toxicity_category_known CHECK (toxicity_category IN ('I', 'II', 'III', 'IV')),
    ADD CONSTRAINT product_cost_whole CHECK (
        num_nonnulls(cost, cost_currency, cost_per, cost_per_unit) IN (0, 4)),
    ADD CONSTRAINT product_cost_not_negative CHECK (cost >= 0),
    ADD CONSTRAINT product_cost_currency_form CHECK (cost_currency ~ '^[A-Z]{3}$'),
    ADD CONSTRAINT product_cost_per_above_zero CHECK (cost_per > 0);

ALTER TABLE products.direction
    DROP CONSTRAINT direction_rate_unit_known,
    ADD COLUMN crops               text[]  NOT NULL DEFAULT '{}',
    ADD COLUMN sites               text[]  NOT NULL DEFAULT '{}',
    ADD COLUMN disorders           text[]  NOT NULL DEFAULT '{}',
    ADD COLUMN water_volume_min    numeric,
    ADD COLUMN water_volume_max    numeric,
    ADD COLUMN water_volume_unit   text,
    ADD COLUMN max_per_crop_cycle  int     NOT NULL DEFAULT 0,
    ADD COLUMN max_per_year        int     NOT NULL DEFAULT 0,
    ADD COLUMN max_consecutive     int     NOT NULL DEFAULT 0,
    -- NULL means that the label fact is missing, which is not an interval of 0 days.
    ADD COLUMN sale_interval_days  int,
    ADD COLUMN temperature_min_cel numeric,
    ADD COLUMN temperature_max_cel numeric,
    ADD COLUMN open_bloom          text,
    ADD COLUMN chemigation         text,
    ADD COLUMN silent_on           text[]  NOT NULL DEFAULT '{}',
    ADD CONSTRAINT direction_rate_unit_is_a_rate CHECK (rate_unit IN ('%', 'ppm') OR rate_unit LIKE '_%/_%'),
    ADD CONSTRAINT direction_sites_known CHECK (sites <@ ARRAY['GREENHOUSE', 'OUTDOOR']),
    ADD CONSTRAINT direction_water_volume_has_a_unit CHECK (
        (water_volume_unit IS NULL) = (water_volume_min IS NULL AND water_volume_max IS NULL)),
    ADD CONSTRAINT direction_water_volumes_in_order CHECK (
        0 < water_volume_min AND 0 < water_volume_max AND water_volume_min <= water_volume_max),
    ADD CONSTRAINT direction_max_per_crop_cycle_not_negative CHECK (max_per_crop_cycle >= 0),
    ADD CONSTRAINT direction_max_per_year_not_negative CHECK (max_per_year >= 0),
    ADD CONSTRAINT direction_max_consecutive_not_negative CHECK (max_consecutive >= 0),
    ADD CONSTRAINT direction_sale_interval_not_negative CHECK (sale_interval_days >= 0),
    ADD CONSTRAINT direction_temperatures_in_order CHECK (temperature_min_cel <= temperature_max_cel),
    ADD CONSTRAINT direction_open_bloom_known CHECK (open_bloom IN ('ALLOWED', 'FORBIDDEN')),
    ADD CONSTRAINT direction_chemigation_known CHECK (chemigation IN ('ALLOWED', 'FORBIDDEN')),
    ADD CONSTRAINT direction_silent_on_known CHECK (silent_on <@ ARRAY[
        'CROPS', 'SITES', 'WATER_VOLUME', 'MIN_INTERVAL', 'MAX_APPLICATIONS_PER_CROP_CYCLE',
        'MAX_APPLICATIONS_PER_YEAR', 'MAX_ACTIVE_PER_YEAR', 'PROTECTIVE_EQUIPMENT', 'SALE_INTERVAL',
        'TEMPERATURE', 'OPEN_BLOOM', 'CHEMIGATION']);

-- Until now an interval of 0 days said that the label has none.
UPDATE products.direction SET silent_on = ARRAY['MIN_INTERVAL'] WHERE min_interval_days = 0;

CREATE TABLE products.active_limit (
    nursery           text    NOT NULL,
    product           text    NOT NULL,
    direction         int     NOT NULL,
    position          int     NOT NULL,
    active_ingredient text    NOT NULL,
    most_per_year     numeric NOT NULL,
    unit              text    NOT NULL,
    CONSTRAINT active_limit_pk PRIMARY KEY (nursery, product, direction, position),
    -- A label is replaced as a whole.
    CONSTRAINT active_limit_direction FOREIGN KEY (nursery, product, direction)
        REFERENCES products.direction (nursery, product, position) ON DELETE CASCADE,
    CONSTRAINT active_limit_once UNIQUE (nursery, product, direction, active_ingredient),
    CONSTRAINT active_limit_above_zero CHECK (most_per_year > 0)
);
GRANT SELECT, INSERT ON products.active_limit TO velamen_app;

-- Other names of active ingredients ---------------------------------------------

CREATE TABLE products.alias (
    nursery           text        NOT NULL,
    -- The name in lower case with hyphens.
    id                text        NOT NULL,
    display_name      text        NOT NULL,
    active_ingredient text        NOT NULL,
    source            text        NOT NULL,
    create_time       timestamptz NOT NULL,
    CONSTRAINT alias_pk PRIMARY KEY (nursery, id),
    CONSTRAINT alias_nursery FOREIGN KEY (nursery) REFERENCES identity.nursery (id),
    CONSTRAINT alias_display_name_length CHECK (length(display_name) BETWEEN 2 AND 60),
    CONSTRAINT alias_source_length CHECK (length(source) BETWEEN 1 AND 500)
);
-- What another name means is never changed: products were entered by it.
GRANT SELECT, INSERT ON products.alias TO velamen_app;

-- The chemical store ------------------------------------------------------------

-- Containers, and what went into and out of each. Amounts are in g for a solid
-- and in mL for a liquid, exactly: a fluid ounce has ten places in mL, so that no
-- number of places is fixed. A container is shown in the unit in which it was
-- entered.
--
-- Nothing is lost: at commit what is left in every container that was touched is
-- the sum of its events.

CREATE TABLE products.container (
    nursery      text        NOT NULL,
    product      text        NOT NULL,
    id           text        NOT NULL,
    batch        text        NOT NULL,
    size         numeric     NOT NULL,
    unit         text        NOT NULL,
    receive_date date        NOT NULL,
    expire_date  date,
    open_date    date,
    place        text        NOT NULL,
    remaining    numeric     NOT NULL,
    discarded    boolean     NOT NULL DEFAULT false,
    create_time  timestamptz NOT NULL,
    CONSTRAINT container_pk PRIMARY KEY (nursery, product, id),
    CONSTRAINT container_product FOREIGN KEY (nursery, product) REFERENCES products.product (nursery, id),
    CONSTRAINT container_size_above_zero CHECK (size > 0),
    CONSTRAINT container_unit_known CHECK (unit IN ('g', 'kg', 'oz', 'lb', 'mL', 'L', 'fl oz', 'pt', 'qt', 'gal')),
    CONSTRAINT container_expires_after_it_came CHECK (expire_date >= receive_date),
    CONSTRAINT container_opened_after_it_came CHECK (open_date >= receive_date)
);
-- Listings go by product and id in byte order, whatever the database's collation.
CREATE INDEX container_by_id ON products.container (nursery, product COLLATE "C", id COLLATE "C");
GRANT SELECT, INSERT ON products.container TO velamen_app;
GRANT UPDATE (open_date, remaining, discarded) ON products.container TO velamen_app;

-- What confirmed applications used of products, whether or not a container was
-- there to take it from. One line is taken once. application is a name and has no
-- foreign key: applications belong to a service that reads this one.
CREATE TABLE products.used (
    nursery     text        NOT NULL,
    application text        NOT NULL,
    line        int         NOT NULL,
    product     text        NOT NULL,
    amount      numeric     NOT NULL,
    unit        text        NOT NULL,
    person      text        NOT NULL,
    use_time    timestamptz NOT NULL,
    enter_time  timestamptz NOT NULL DEFAULT now(),
    CONSTRAINT used_pk PRIMARY KEY (nursery, application, line),
    CONSTRAINT used_product FOREIGN KEY (nursery, product) REFERENCES products.product (nursery, id),
    CONSTRAINT used_person FOREIGN KEY (nursery, person) REFERENCES identity.person (nursery, id),
    CONSTRAINT used_above_zero CHECK (amount > 0),
    CONSTRAINT used_unit_known CHECK (unit IN ('g', 'mL'))
);
GRANT SELECT ON products.used TO velamen_app;
GRANT INSERT (nursery, application, line, product, amount, unit, person, use_time) ON products.used TO velamen_app;

-- enter_time is the database's own and cannot be given by who writes an event,
-- so that an event entered late shows as such.
CREATE TABLE products.container_event (
    id          bigint      GENERATED ALWAYS AS IDENTITY,
    nursery     text        NOT NULL,
    product     text        NOT NULL,
    container   text        NOT NULL,
    kind        text        NOT NULL,
    change      numeric     NOT NULL,
    application text,
    line        int,
    note        text        NOT NULL DEFAULT '',
    person      text        NOT NULL,
    event_time  timestamptz NOT NULL,
    enter_time  timestamptz NOT NULL DEFAULT now(),
    CONSTRAINT container_event_pk PRIMARY KEY (id),
    CONSTRAINT container_event_container FOREIGN KEY (nursery, product, container)
        REFERENCES products.container (nursery, product, id),
    CONSTRAINT container_event_used FOREIGN KEY (nursery, application, line)
        REFERENCES products.used (nursery, application, line),
    CONSTRAINT container_event_person FOREIGN KEY (nursery, person) REFERENCES identity.person (nursery, id),
    CONSTRAINT container_event_sign_of_kind CHECK (CASE kind
        WHEN 'RECEIVED' THEN change > 0
        WHEN 'OPENED' THEN change = 0
        -- 0 where a count after the work has it already, which the note says.
        WHEN 'USED' THEN change < 0 OR (change = 0 AND note <> '')
        WHEN 'COUNTED' THEN true
        WHEN 'DISCARDED' THEN change <= 0
        ELSE false END),
    CONSTRAINT container_event_use_has_application CHECK (
        (kind = 'USED') = (application IS NOT NULL) AND (application IS NULL) = (line IS NULL)),
    CONSTRAINT container_event_says_why CHECK (kind NOT IN ('COUNTED', 'DISCARDED') OR note <> '')
);
CREATE INDEX container_event_by_container ON products.container_event (nursery, product, container, id);
CREATE UNIQUE INDEX container_event_once ON products.container_event (nursery, product, container, kind)
    WHERE kind IN ('RECEIVED', 'OPENED', 'DISCARDED');
CREATE UNIQUE INDEX container_event_line_once ON products.container_event (nursery, application, line, container)
    WHERE kind = 'USED';
GRANT SELECT ON products.container_event TO velamen_app;
GRANT INSERT (nursery, product, container, kind, change, application, line, note, person, event_time)
    ON products.container_event TO velamen_app;

-- +goose StatementBegin
CREATE FUNCTION products.refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'products.% is append-only; enter what happened as a new event', TG_TABLE_NAME
        USING ERRCODE = 'check_violation', CONSTRAINT = 'container_event_append_only';
END
$$;
-- +goose StatementEnd

CREATE TRIGGER container_event_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON products.container_event
    FOR EACH STATEMENT EXECUTE FUNCTION products.refuse_change();
CREATE TRIGGER used_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON products.used
    FOR EACH STATEMENT EXECUTE FUNCTION products.refuse_change();

-- A container is what its events make of it.
-- +goose StatementBegin
CREATE FUNCTION products.check_container() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    of_container text;
    agrees       boolean;
BEGIN
    IF TG_TABLE_NAME = 'container' THEN
        of_container := NEW.id;
    ELSE
        of_container := NEW.container;
    END IF;
    SELECT c.remaining = e.changed AND c.size = e.received
        AND (c.open_date IS NOT NULL) = e.opened AND c.discarded = e.discarded
    INTO agrees
    FROM products.container c, (
        SELECT coalesce(sum(change), 0) AS changed,
            coalesce(sum(change) FILTER (WHERE kind = 'RECEIVED'), 0) AS received,
            coalesce(bool_or(kind = 'OPENED'), false) AS opened,
            coalesce(bool_or(kind = 'DISCARDED'), false) AS discarded
        FROM products.container_event
        WHERE nursery = NEW.nursery AND product = NEW.product AND container = of_container) e
    WHERE c.nursery = NEW.nursery AND c.product = NEW.product AND c.id = of_container;
    IF NOT agrees THEN
        RAISE EXCEPTION 'container % of % is not what its events make of it', of_container, NEW.product
            USING ERRCODE = 'check_violation', CONSTRAINT = 'container_is_its_events';
    END IF;
    RETURN NULL;
END
$$;
-- +goose StatementEnd

CREATE CONSTRAINT TRIGGER container_is_its_events AFTER INSERT OR UPDATE ON products.container
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION products.check_container();
CREATE CONSTRAINT TRIGGER container_event_is_in_its_container AFTER INSERT ON products.container_event
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION products.check_container();
