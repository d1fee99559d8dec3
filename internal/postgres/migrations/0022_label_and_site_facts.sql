-- What entry to treated areas and use reports need to know of labels, of houses and
-- of the nursery. A fact that is not entered makes entry stricter and leaves a gap in
-- a report; it refuses nothing here.

-- +goose Up

-- Labels -----------------------------------------------------------------------

ALTER TABLE products.product
    -- Answers of the label; NULL was not entered, which is not NO.
    ADD COLUMN respirator           text,
    ADD COLUMN double_notification  text,
    ADD COLUMN inhalation_limited   text,
    ADD COLUMN inhalation_level_ppm numeric,
    ADD COLUMN organophosphate      text,
    ADD COLUMN first_aid            text NOT NULL DEFAULT '',
    ADD COLUMN safety_data_sheet    text NOT NULL DEFAULT '',
    ADD COLUMN time_limited         text,
    ADD COLUMN stage_limited        text,
    ADD CONSTRAINT product_respirator_known CHECK (respirator IN ('YES', 'NO')),
    ADD CONSTRAINT product_double_notification_known CHECK (double_notification IN ('YES', 'NO')),
    ADD CONSTRAINT product_inhalation_limited_known CHECK (inhalation_limited IN ('YES', 'NO')),
    ADD CONSTRAINT product_inhalation_level_is_a_share CHECK (inhalation_level_ppm > 0 AND inhalation_level_ppm <= 1000000),
    ADD CONSTRAINT product_inhalation_level_where_limited CHECK (
        inhalation_level_ppm IS NULL OR inhalation_limited IS NOT DISTINCT FROM 'YES'),
    ADD CONSTRAINT product_organophosphate_known CHECK (organophosphate IN ('YES', 'NO')),
    ADD CONSTRAINT product_first_aid_length CHECK (length(first_aid) <= 4000),
    ADD CONSTRAINT product_safety_data_sheet_length CHECK (length(safety_data_sheet) <= 200),
    ADD CONSTRAINT product_time_limited_known CHECK (time_limited IN ('YES', 'NO')),
    ADD CONSTRAINT product_stage_limited_known CHECK (stage_limited IN ('YES', 'NO'));

-- Houses -----------------------------------------------------------------------

-- square_metres is what one of a unit of area is in m2: the international foot and
-- acre (NIST SP 811, appendix B.8). NULL for what is no unit of area.
CREATE FUNCTION stock.square_metres(unit text) RETURNS numeric
LANGUAGE sql IMMUTABLE STRICT SET search_path = pg_catalog AS $$
    SELECT CASE unit WHEN 'm2' THEN 1 WHEN 'ha' THEN 10000 WHEN 'ft2' THEN 0.09290304 WHEN 'acre' THEN 4046.8564224 END
$$;

ALTER TABLE stock.house
    ADD COLUMN site_number       text NOT NULL DEFAULT '',
    ADD COLUMN facility_number   text NOT NULL DEFAULT '',
    ADD COLUMN legal_location    text NOT NULL DEFAULT '',
    ADD COLUMN planted_area      numeric,
    ADD COLUMN planted_area_unit text,
    ADD CONSTRAINT house_site_number_length CHECK (length(site_number) <= 60),
    ADD CONSTRAINT house_facility_number_length CHECK (length(facility_number) <= 60),
    ADD CONSTRAINT house_legal_location_length CHECK (length(legal_location) <= 200),
    ADD CONSTRAINT house_planted_area_whole CHECK (num_nonnulls(planted_area, planted_area_unit) IN (0, 2)),
    ADD CONSTRAINT house_planted_area_above_zero CHECK (planted_area > 0),
    ADD CONSTRAINT house_planted_area_unit_known CHECK (planted_area_unit IN ('m2', 'ha', 'ft2', 'acre')),
    ADD CONSTRAINT house_planted_area_fits CHECK (
        planted_area * stock.square_metres(planted_area_unit) <= area * stock.square_metres(area_unit));
GRANT UPDATE (site_number, facility_number, legal_location, planted_area, planted_area_unit) ON stock.house TO velamen_app;

-- The nursery ------------------------------------------------------------------

ALTER TABLE identity.nursery
    ADD COLUMN operator_id     text NOT NULL DEFAULT '',
    ADD COLUMN county          text NOT NULL DEFAULT '',
    ADD COLUMN emergency_phone text NOT NULL DEFAULT '',
    ADD COLUMN emergency_care  text NOT NULL DEFAULT '',
    ADD CONSTRAINT nursery_operator_id_length CHECK (length(operator_id) <= 60),
    ADD CONSTRAINT nursery_county_length CHECK (length(county) <= 100),
    ADD CONSTRAINT nursery_emergency_phone_length CHECK (length(emergency_phone) <= 60),
    ADD CONSTRAINT nursery_emergency_care_length CHECK (length(emergency_care) <= 300);
