package diagnosis

import "velamen/internal/trail"

const (
	// inspected reads inspections with what was observed in each.
	inspected = `(
		SELECT i.*, (SELECT jsonb_agg(jsonb_build_object('organ', o.organ, 'sign', o.sign, 'observed', o.observed, 'note', o.note) ORDER BY o.position)
			FROM diagnosis.observation o WHERE o.nursery = i.nursery AND o.inspection = i.id) AS observations
		FROM diagnosis.inspection i) t`
	// photographed reads photos with where their inspection was.
	photographed = `(
		SELECT p.*, i.lot AS of_lot, i.house AS of_house FROM diagnosis.photo p
		JOIN diagnosis.inspection i ON i.nursery = p.nursery AND i.id = p.inspection) t`
	// diagnosed reads diagnoses with the inspections and samples they rest on.
	diagnosed = `(
		SELECT d.*, ARRAY(SELECT g.inspection FROM diagnosis.ground g
				WHERE g.nursery = d.nursery AND g.diagnosis = d.id ORDER BY g.position) AS inspections,
			ARRAY(SELECT g.sample FROM diagnosis.ground_sample g
				WHERE g.nursery = d.nursery AND g.diagnosis = d.id ORDER BY g.position) AS samples
		FROM diagnosis.diagnosis d) t`
	// dutied reads duties with their lots and inspections.
	dutied = `(
		SELECT d.*, ARRAY(SELECT l.lot FROM diagnosis.duty_lot l
				WHERE l.nursery = d.nursery AND l.duty = d.id ORDER BY l.position) AS lots,
			ARRAY(SELECT i.inspection FROM diagnosis.duty_inspection i
				WHERE i.nursery = d.nursery AND i.duty = d.id ORDER BY i.position) AS inspections
		FROM diagnosis.duty d) t`
	// covered reads on how many days each logger of a house recorded.
	covered = `(
		SELECT nursery, house, logger, min(day) AS first_day, max(day) AS last_day, count(*) AS days, sum(cardinality(seconds)) AS readings
		FROM diagnosis.climate_day WHERE nursery = @nursery AND house = @id GROUP BY nursery, house, logger) t`
)

// History returns what this service keeps about people, houses and lots.
func History() trail.Account {
	sources := append(inspectionHistory(), sampleHistory()...)
	sources = append(sources, dutyHistory()...)
	return trail.Account{
		Sources: append(sources, climateHistory()...),
		LeftOut: []trail.LeftOut{
			{
				Table: "diagnosis.photo", About: []trail.Kind{trail.Person, trail.House, trail.Lot},
				Reason: "The bytes of photos: each is named by its SHA-256 and is downloaded by that.",
			},
			{
				Table: "diagnosis.climate_day", About: []trail.Kind{trail.House},
				Reason: "The readings of loggers: only from when to when each logger recorded is here, and the report of each import.",
			},
			{
				Table: "diagnosis.inspection", About: []trail.Kind{trail.House},
				Reason: "Inspections of lots, and what followed from them: they are in the histories of the lots that stood in the house.",
			},
		},
	}
}

func inspectionHistory() []trail.Source {
	const ofLot, ofHouse = "t.of_lot = @id", "t.of_house = @id"
	grounds := func(column string) string {
		return `EXISTS (SELECT FROM diagnosis.inspection i WHERE i.nursery = t.nursery AND i.id = ANY(t.inspections) AND i.` + column + ` = @id)`
	}
	return []trail.Source{
		{
			Table: "diagnosis.inspection", From: inspected, Kind: "inspection", Time: "t.inspect_time", Who: "t.inspector",
			What:   "'inspection of ' || coalesce('lot ' || t.lot, t.house || '/' || t.bench)",
			Name:   trail.NameOf("inspections", "id"),
			People: []string{"inspector"}, About: map[trail.Kind]string{trail.Lot: "t.lot = @id", trail.House: "t.house = @id"},
		},
		{
			Table: "diagnosis.photo", From: photographed, Kind: "photo", What: "'photo of inspection ' || t.inspection", Time: "t.create_time",
			Who: "t.uploader", Name: trail.NameOf("inspections", "inspection", "photos", "sha256"),
			People: []string{"uploader"}, About: map[trail.Kind]string{trail.Lot: ofLot, trail.House: ofHouse},
		},
		{
			Table: "diagnosis.diagnosis", From: diagnosed, Kind: "diagnosis", What: "t.disorder || ' confirmed'", Time: "t.confirm_time",
			Who: "t.confirmer", Name: trail.NameOf("diagnoses", "id"), People: []string{"confirmer"}, Within: []string{"assessment"},
			About: map[trail.Kind]string{trail.Lot: grounds("lot"), trail.House: grounds("house")},
		},
	}
}

func sampleHistory() []trail.Source {
	of := func(column string) string {
		return `EXISTS (SELECT FROM diagnosis.inspection i WHERE i.nursery = t.nursery AND i.id = t.inspection AND i.` + column + ` = @id)`
	}
	moment := func(what, at, who string) trail.Source {
		return trail.Source{
			Table: "diagnosis.sample", Kind: "sample", What: what, Time: "t." + at,
			Who: "t." + who, Name: trail.NameOf("samples", "id"), People: []string{who},
			About: map[trail.Kind]string{trail.Lot: of("lot"), trail.House: of("house")},
		}
	}
	return []trail.Source{
		moment("'sample sent to ' || t.laboratory", "send_time", "sender"),
		moment("'sample received by ' || t.laboratory", "receive_time", "receiver"),
		moment("'laboratory reported ' || lower(t.outcome)", "report_time", "reporter"),
	}
}

func dutyHistory() []trail.Source {
	moment := func(what, at, who string) trail.Source {
		return trail.Source{
			Table: "diagnosis.duty", From: dutied, Kind: "duty", What: what, Time: "t." + at,
			Who: "t." + who, Name: trail.NameOf("duties", "id"), People: []string{who},
			About: map[trail.Kind]string{
				trail.Lot: "@id = ANY(t.lots)",
				trail.House: `EXISTS (SELECT FROM diagnosis.inspection i
					WHERE i.nursery = t.nursery AND i.id = ANY(t.inspections) AND i.house = @id)`,
			},
		}
	}
	return []trail.Source{
		moment("'suspicion of ' || t.pest || ' to be notified to ' || t.authority", "create_time", "raiser"),
		moment("t.authority || ' notified of ' || t.pest", "notify_time", "notifier"),
		moment("'duty about ' || t.pest || ' ended'", "end_time", "ender"),
	}
}

func climateHistory() []trail.Source {
	return []trail.Source{
		{
			Table: "diagnosis.climate_day", From: covered, Kind: "climate coverage", Name: trail.NameOf("houses", "house"),
			What:  "'logger ' || t.logger || ' recorded on ' || t.days || ' days'",
			About: map[trail.Kind]string{trail.House: "true"},
		},
		{
			Table: "diagnosis.climate_import", Kind: "climate import", Time: "t.create_time", Who: "t.importer",
			What:   "'readings of logger ' || t.logger || ' for ' || t.house",
			Name:   trail.NameOf("houses", "house", "climateImports", "id"),
			People: []string{"importer"}, Within: []string{"report"}, About: map[trail.Kind]string{trail.House: "t.house = @id"},
		},
		{
			Table: "diagnosis.model_parameters", Kind: "infection model", What: "'parameters of ' || t.model || ' set'", Time: "t.set_time",
			Who: "t.setter", Name: trail.NameOf("infectionModels", "model"), People: []string{"setter"},
		},
	}
}
