-- What the rules count: which lots an application treated and where they stood,
-- and which active ingredients they got how much of. Also what the rules said, who
-- overrode what, and applications that were made against a rule.

-- +goose Up
ALTER TABLE treatment.application
    ALTER COLUMN program DROP NOT NULL,
    -- NULL in a breach with a product whose label lacks it: nobody knows when the
    -- house may be entered.
    ALTER COLUMN rei_hours DROP NOT NULL,
    ADD CONSTRAINT application_without_rei_is_a_breach CHECK (rei_hours IS NOT NULL OR breach_note <> ''),
    -- Conditions, verdicts and overrides, in the contract's form.
    ADD COLUMN said        jsonb NOT NULL DEFAULT '{}',
    ADD COLUMN breach_note text  NOT NULL DEFAULT '',
    ADD CONSTRAINT application_without_step_is_a_breach CHECK ((step = '') = (breach_note <> '')),
    ADD CONSTRAINT application_with_step_has_program CHECK (step = '' OR program IS NOT NULL);

CREATE TABLE treatment.application_number (
    nursery text   NOT NULL,
    last    bigint NOT NULL,
    CONSTRAINT application_number_pk PRIMARY KEY (nursery),
    CONSTRAINT application_number_nursery FOREIGN KEY (nursery) REFERENCES identity.nursery (id)
);
GRANT SELECT, INSERT, UPDATE ON treatment.application_number TO velamen_app;

-- house is where the lot stood when it was treated; empty in applications that
-- were entered before it was kept.
CREATE TABLE treatment.application_lot (
    nursery     text NOT NULL,
    lot         text NOT NULL,
    application text NOT NULL,
    house       text NOT NULL,
    CONSTRAINT application_lot_pk PRIMARY KEY (nursery, lot, application),
    CONSTRAINT application_lot_application FOREIGN KEY (nursery, application) REFERENCES treatment.application (nursery, id),
    CONSTRAINT application_lot_lot FOREIGN KEY (nursery, lot) REFERENCES stock.lot (nursery, id)
);
GRANT SELECT, INSERT ON treatment.application_lot TO velamen_app;
CREATE TRIGGER application_lot_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON treatment.application_lot
    FOR EACH STATEMENT EXECUTE FUNCTION treatment.refuse_change();

-- One row for each active ingredient of each product in each house, with what the
-- product was on that day. frac_code is empty in applications that were entered
-- before it was kept: then the catalog's holds.
CREATE TABLE treatment.application_active (
    nursery             text    NOT NULL,
    application         text    NOT NULL,
    house               text    NOT NULL,
    product             text    NOT NULL,
    display_name        text    NOT NULL,
    registration_number text    NOT NULL,
    formulation         text    NOT NULL,
    active_ingredient   text    NOT NULL,
    frac_code           text    NOT NULL,
    grams               numeric NOT NULL,
    area_m2             numeric NOT NULL,
    CONSTRAINT application_active_pk PRIMARY KEY (nursery, application, house, product, active_ingredient),
    CONSTRAINT application_active_application FOREIGN KEY (nursery, application) REFERENCES treatment.application (nursery, id),
    CONSTRAINT application_active_above_zero CHECK (grams >= 0 AND area_m2 > 0)
);
GRANT SELECT, INSERT ON treatment.application_active TO velamen_app;
CREATE TRIGGER application_active_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON treatment.application_active
    FOR EACH STATEMENT EXECUTE FUNCTION treatment.refuse_change();

-- A release states what its inspections show.
ALTER TABLE treatment.program_event ADD COLUMN statement text NOT NULL DEFAULT '';

-- Applications that are there already count as well.
INSERT INTO treatment.application_lot (nursery, lot, application, house)
SELECT a.nursery, lot, a.id, '' FROM treatment.application a, unnest(a.lots) AS lot
ON CONFLICT DO NOTHING;

INSERT INTO treatment.application_active (nursery, application, house, product, display_name, registration_number,
    formulation, active_ingredient, frac_code, grams, area_m2)
SELECT a.nursery, a.id, split_part(t ->> 'house', '/', 4), p.id, p.display_name, p.registration_number,
    '', c.active_ingredient, '',
    sum(round((u -> 'amount' ->> 'amount')::numeric * c.amount
        / CASE u -> 'amount' ->> 'unit' WHEN 'kg' THEN 1 WHEN 'L' THEN 1 ELSE 1000 END, 6)),
    max((t -> 'area' ->> 'amount')::numeric * CASE t -> 'area' ->> 'unit' WHEN 'ha' THEN 10000 ELSE 1 END)
FROM treatment.application a
CROSS JOIN jsonb_array_elements(a.treatments -> 'treatments') AS t
CROSS JOIN jsonb_array_elements(t -> 'products') AS u
JOIN products.product p ON p.nursery = a.nursery AND p.id = split_part(u ->> 'product', '/', 4)
JOIN products.content c ON c.nursery = p.nursery AND c.product = p.id
GROUP BY a.nursery, a.id, split_part(t ->> 'house', '/', 4), p.id, p.display_name, p.registration_number, c.active_ingredient;
