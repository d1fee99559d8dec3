-- Products and what their labels direct. Active ingredients are data of the
-- binary, not rows: their ids are checked before a product is written.

-- +goose Up
CREATE SCHEMA products;
GRANT USAGE ON SCHEMA products TO velamen_app;

CREATE TABLE products.product (
    nursery             text        NOT NULL,
    id                  text        NOT NULL,
    display_name        text        NOT NULL,
    registration_number text        NOT NULL,
    form                text        NOT NULL,
    restricted_use      boolean     NOT NULL,
    version             bigint      NOT NULL DEFAULT 1,
    create_time         timestamptz NOT NULL,
    CONSTRAINT product_pk PRIMARY KEY (nursery, id),
    CONSTRAINT product_nursery FOREIGN KEY (nursery) REFERENCES identity.nursery (id),
    CONSTRAINT product_display_name_length CHECK (length(display_name) BETWEEN 1 AND 100),
    CONSTRAINT product_registration_number_length CHECK (length(registration_number) BETWEEN 1 AND 60),
    CONSTRAINT product_form_known CHECK (form IN ('SOLID', 'LIQUID'))
);
-- A product is never deleted: records name it.
GRANT SELECT, INSERT, UPDATE ON products.product TO velamen_app;

CREATE TABLE products.content (
    nursery           text    NOT NULL,
    product           text    NOT NULL,
    position          int     NOT NULL,
    active_ingredient text    NOT NULL,
    amount            numeric NOT NULL,
    unit              text    NOT NULL,
    CONSTRAINT content_pk PRIMARY KEY (nursery, product, position),
    CONSTRAINT content_product FOREIGN KEY (nursery, product) REFERENCES products.product (nursery, id),
    CONSTRAINT content_once UNIQUE (nursery, product, active_ingredient),
    CONSTRAINT content_above_zero CHECK (amount > 0),
    CONSTRAINT content_unit_known CHECK (unit IN ('g/kg', 'g/L'))
);
GRANT SELECT, INSERT, DELETE ON products.content TO velamen_app;

CREATE TABLE products.direction (
    nursery                text    NOT NULL,
    product                text    NOT NULL,
    position               int     NOT NULL,
    method                 text    NOT NULL,
    classes                text[]  NOT NULL,
    rate_min               numeric NOT NULL,
    rate_max               numeric NOT NULL,
    rate_unit              text    NOT NULL,
    -- NULL means that the label fact is missing, which is not an interval of 0 h.
    restricted_entry_hours numeric,
    min_interval_days      int     NOT NULL,
    protective_equipment   text    NOT NULL,
    CONSTRAINT direction_pk PRIMARY KEY (nursery, product, position),
    CONSTRAINT direction_product FOREIGN KEY (nursery, product) REFERENCES products.product (nursery, id),
    CONSTRAINT direction_method_known CHECK (method IN ('SPRAY', 'DRENCH', 'BATH')),
    CONSTRAINT direction_names_a_class CHECK (cardinality(classes) > 0),
    CONSTRAINT direction_rates_in_order CHECK (0 < rate_min AND rate_min <= rate_max),
    CONSTRAINT direction_rate_unit_known CHECK (rate_unit IN ('g/L', 'mL/L')),
    CONSTRAINT direction_restricted_entry_not_negative CHECK (restricted_entry_hours >= 0),
    CONSTRAINT direction_min_interval_not_negative CHECK (min_interval_days >= 0)
);
GRANT SELECT, INSERT, DELETE ON products.direction TO velamen_app;
