-- What loggers in the houses recorded, and the parameters that a nursery set for
-- infection models.

-- +goose Up
-- +goose StatementBegin
CREATE FUNCTION diagnosis.refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '% of %.% is refused: what happened is never changed', TG_OP, TG_TABLE_SCHEMA, TG_TABLE_NAME
        USING ERRCODE = 'insufficient_privilege';
END
$$;
-- +goose StatementEnd

-- One row for each file that was read. The report holds how it was read and the
-- faults in it, in the contract's form.
CREATE TABLE diagnosis.climate_import (
    nursery          text        NOT NULL,
    id               text        NOT NULL,
    house            text        NOT NULL,
    logger           text        NOT NULL,
    readings         bigint      NOT NULL,
    replaced         bigint      NOT NULL,
    left_out         bigint      NOT NULL,
    start_time       timestamptz NOT NULL,
    end_time         timestamptz NOT NULL,
    interval_seconds bigint      NOT NULL,
    report           jsonb       NOT NULL,
    importer         text        NOT NULL,
    create_time      timestamptz NOT NULL,
    CONSTRAINT climate_import_pk PRIMARY KEY (nursery, id),
    CONSTRAINT climate_import_house FOREIGN KEY (nursery, house) REFERENCES stock.house (nursery, id),
    CONSTRAINT climate_import_importer FOREIGN KEY (nursery, importer) REFERENCES identity.person (nursery, id),
    CONSTRAINT climate_import_counts CHECK (readings >= 1 AND replaced BETWEEN 0 AND readings AND left_out >= 0 AND interval_seconds >= 0),
    CONSTRAINT climate_import_times CHECK (start_time <= end_time)
);
CREATE INDEX climate_import_by_time ON diagnosis.climate_import (nursery, create_time, id);
CREATE INDEX climate_import_by_house ON diagnosis.climate_import (nursery, house, create_time, id);
GRANT SELECT, INSERT ON diagnosis.climate_import TO velamen_app;
CREATE TRIGGER climate_import_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON diagnosis.climate_import
    FOR EACH STATEMENT EXECUTE FUNCTION diagnosis.refuse_change();

-- The readings of one logger on one day (UTC), in the order of time: ten years of
-- ten-minute readings are 3,652 rows. Amounts are whole hundredths (of a degree
-- Celsius, of a percent), NULL where nothing was recorded. A later file replaces
-- readings of the same second.
CREATE TABLE diagnosis.climate_day (
    nursery     text  NOT NULL,
    house       text  NOT NULL,
    logger      text  NOT NULL,
    day         date  NOT NULL,
    seconds     int[] NOT NULL,
    temperature int[] NOT NULL,
    humidity    int[] NOT NULL,
    wetness     int[] NOT NULL,
    CONSTRAINT climate_day_pk PRIMARY KEY (nursery, house, logger, day),
    CONSTRAINT climate_day_house FOREIGN KEY (nursery, house) REFERENCES stock.house (nursery, id),
    CONSTRAINT climate_day_as_many CHECK (
        cardinality(seconds) >= 1 AND cardinality(temperature) = cardinality(seconds)
        AND cardinality(humidity) = cardinality(seconds) AND cardinality(wetness) = cardinality(seconds)),
    CONSTRAINT climate_day_within_the_day CHECK (0 <= ALL (seconds) AND 86400 > ALL (seconds)),
    CONSTRAINT climate_day_temperature CHECK (-4000 <= ALL (array_remove(temperature, NULL)) AND 7000 >= ALL (array_remove(temperature, NULL))),
    CONSTRAINT climate_day_humidity CHECK (0 <= ALL (array_remove(humidity, NULL)) AND 10000 >= ALL (array_remove(humidity, NULL))),
    CONSTRAINT climate_day_wetness CHECK (0 <= ALL (array_remove(wetness, NULL)) AND 10000 >= ALL (array_remove(wetness, NULL)))
);
GRANT SELECT, INSERT, UPDATE ON diagnosis.climate_day TO velamen_app;

-- Each change of a model's parameters by a nursery; the last one holds. A row
-- without parameters goes back to the shipped ones.
CREATE TABLE diagnosis.model_parameters (
    nursery             text        NOT NULL,
    model               text        NOT NULL,
    version             bigint      NOT NULL,
    temperature_min     numeric,
    temperature_optimum numeric,
    temperature_max     numeric,
    wetness_min         numeric,
    wetness_max         numeric,
    dry_interruption    numeric,
    source              text        NOT NULL,
    setter              text        NOT NULL,
    set_time            timestamptz NOT NULL,
    CONSTRAINT model_parameters_pk PRIMARY KEY (nursery, model, version),
    CONSTRAINT model_parameters_setter FOREIGN KEY (nursery, setter) REFERENCES identity.person (nursery, id),
    CONSTRAINT model_parameters_version CHECK (version >= 1),
    CONSTRAINT model_parameters_all_or_none CHECK (
        num_nulls(temperature_min, temperature_optimum, temperature_max, wetness_min, wetness_max, dry_interruption) IN (0, 6)),
    CONSTRAINT model_parameters_have_a_source CHECK ((temperature_min IS NULL) = (source = '')),
    CONSTRAINT model_parameters_make_sense CHECK (
        temperature_min < temperature_optimum AND temperature_optimum < temperature_max
        AND 0 < wetness_min AND wetness_min <= wetness_max AND dry_interruption >= 0)
);
GRANT SELECT, INSERT ON diagnosis.model_parameters TO velamen_app;
CREATE TRIGGER model_parameters_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON diagnosis.model_parameters
    FOR EACH STATEMENT EXECUTE FUNCTION diagnosis.refuse_change();
