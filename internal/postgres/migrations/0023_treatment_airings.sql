-- When houses were aired after applications, and what was measured in their air. Both
-- decide when a house is open again, so they are evidence: a row is only ever added; the
-- end of an airing and that it was recorded wrongly are each filled in once.

-- +goose Up
CREATE TABLE treatment.airing (
    nursery     text        NOT NULL,
    id          text        NOT NULL,
    house       text        NOT NULL,
    device      text        NOT NULL,
    start_time  timestamptz NOT NULL,
    -- NULL while it goes on.
    end_time    timestamptz,
    -- Air that the fans that ran moved, m3/h; NULL for all fans of the house.
    flow_m3_h   numeric,
    recorder    text        NOT NULL,
    create_time timestamptz NOT NULL,
    ender       text,
    ended_at    timestamptz,
    void_reason text,
    voider      text,
    void_time   timestamptz,
    CONSTRAINT airing_pk PRIMARY KEY (nursery, id),
    CONSTRAINT airing_house FOREIGN KEY (nursery, house) REFERENCES stock.house (nursery, id),
    CONSTRAINT airing_recorder FOREIGN KEY (nursery, recorder) REFERENCES identity.person (nursery, id),
    CONSTRAINT airing_ender FOREIGN KEY (nursery, ender) REFERENCES identity.person (nursery, id),
    CONSTRAINT airing_voider FOREIGN KEY (nursery, voider) REFERENCES identity.person (nursery, id),
    CONSTRAINT airing_device_known CHECK (device IN ('FANS', 'VENTS', 'SHUT')),
    CONSTRAINT airing_ends_later CHECK (end_time > start_time),
    CONSTRAINT airing_flow_is_of_fans CHECK (flow_m3_h IS NULL OR (flow_m3_h > 0 AND device = 'FANS')),
    CONSTRAINT airing_ended_whole CHECK (num_nonnulls(end_time, ender, ended_at) IN (0, 3)),
    CONSTRAINT airing_voided_whole CHECK (num_nonnulls(void_reason, voider, void_time) IN (0, 3))
);
CREATE INDEX airing_newest ON treatment.airing (nursery, start_time, id);
CREATE INDEX airing_of_house ON treatment.airing (nursery, house, start_time, id);
GRANT SELECT, INSERT ON treatment.airing TO velamen_app;
GRANT UPDATE (end_time, ender, ended_at, void_reason, voider, void_time) ON treatment.airing TO velamen_app;

-- +goose StatementBegin
CREATE FUNCTION treatment.keep_airing() RETURNS trigger
LANGUAGE plpgsql SET search_path = pg_catalog AS $$
BEGIN
    IF TG_OP = 'UPDATE' THEN
        IF OLD.void_time IS NULL
            AND ROW(OLD.nursery, OLD.id, OLD.house, OLD.device, OLD.start_time, OLD.flow_m3_h, OLD.recorder, OLD.create_time)
            IS NOT DISTINCT FROM
            ROW(NEW.nursery, NEW.id, NEW.house, NEW.device, NEW.start_time, NEW.flow_m3_h, NEW.recorder, NEW.create_time)
            AND (OLD.end_time IS NULL
                OR ROW(OLD.end_time, OLD.ender, OLD.ended_at) IS NOT DISTINCT FROM ROW(NEW.end_time, NEW.ender, NEW.ended_at)) THEN
            RETURN NEW;
        END IF;
    END IF;
    RAISE EXCEPTION 'treatment.airing is written once' USING ERRCODE = 'restrict_violation';
END
$$;
-- +goose StatementEnd
CREATE TRIGGER keep_airing BEFORE UPDATE OR DELETE ON treatment.airing
    FOR EACH ROW EXECUTE FUNCTION treatment.keep_airing();
CREATE TRIGGER keep_all_airings BEFORE TRUNCATE ON treatment.airing
    FOR EACH STATEMENT EXECUTE FUNCTION treatment.keep_airing();

-- What was measured of a product in the air of a house after an application.
CREATE TABLE treatment.air_measurement (
    nursery      text        NOT NULL,
    id           text        NOT NULL,
    house        text        NOT NULL,
    application  text        NOT NULL,
    product      text        NOT NULL,
    measure_time timestamptz NOT NULL,
    amount       numeric     NOT NULL,
    unit         text        NOT NULL,
    recorder     text        NOT NULL,
    create_time  timestamptz NOT NULL,
    CONSTRAINT air_measurement_pk PRIMARY KEY (nursery, id),
    CONSTRAINT air_measurement_house FOREIGN KEY (nursery, house) REFERENCES stock.house (nursery, id),
    CONSTRAINT air_measurement_application FOREIGN KEY (nursery, application) REFERENCES treatment.application (nursery, id),
    CONSTRAINT air_measurement_product FOREIGN KEY (nursery, product) REFERENCES products.product (nursery, id),
    CONSTRAINT air_measurement_recorder FOREIGN KEY (nursery, recorder) REFERENCES identity.person (nursery, id),
    CONSTRAINT air_measurement_not_negative CHECK (amount >= 0)
);
CREATE INDEX air_measurement_of_application ON treatment.air_measurement (nursery, application, measure_time, id);
GRANT SELECT, INSERT ON treatment.air_measurement TO velamen_app;
CREATE TRIGGER air_measurement_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON treatment.air_measurement
    FOR EACH STATEMENT EXECUTE FUNCTION treatment.refuse_change();

-- Applications that close a house until a fact of a label is entered are read however old
-- they are.
CREATE INDEX application_without_interval ON treatment.application (nursery, id) WHERE rei_hours IS NULL;
CREATE INDEX application_active_of_product ON treatment.application_active (nursery, product, application);
