package treatment

import (
	"slices"

	"velamen/internal/trail"
)

const (
	// appliedRows reads applications with the active ingredients that each house got and the
	// houses in which the lots stood.
	appliedRows = `(
		SELECT a.*, (SELECT jsonb_agg(jsonb_build_object('house', c.house, 'product', c.product, 'active_ingredient', c.active_ingredient,
				'frac_code', c.frac_code, 'grams', c.grams, 'area_m2', c.area_m2) ORDER BY c.house, c.product, c.active_ingredient)
				FROM treatment.application_active c WHERE c.nursery = a.nursery AND c.application = a.id) AS actives,
			ARRAY(SELECT DISTINCT l.house FROM treatment.application_lot l
				WHERE l.nursery = a.nursery AND l.application = a.id AND l.house <> '' ORDER BY l.house) AS houses
		FROM treatment.application a) t`
	// lotInCase joins the rows of programs to the case of a lot.
	lotInCase = `EXISTS (SELECT FROM treatment.program p
		JOIN treatment.outbreak_lot l ON l.nursery = p.nursery AND l.outbreak = p.outbreak
		WHERE p.nursery = t.nursery AND p.id = t.program AND l.lot = @id)`
)

// History returns what this service keeps about people, houses, lots and containers.
func History() trail.Account {
	return trail.Account{
		Sources: slices.Concat(caseHistory(), applicationHistory(), airHistory(), entryHistory()),
		LeftOut: []trail.LeftOut{
			{
				Table: "treatment.program_event", About: []trail.Kind{trail.House},
				Reason: "Cases and programs: they are of lots, and in the histories of the lots that stood in the house.",
			},
		},
	}
}

func caseHistory() []trail.Source {
	return []trail.Source{
		{
			Table: "treatment.template", Kind: "template", What: "'version ' || t.version || ' of template ' || t.id || ' published'",
			Time: "t.create_time", Who: "t.person", Name: trail.NameOf("templates", "id"), People: []string{"person"}, Within: []string{"body"},
		},
		{
			Table: "treatment.outbreak", Kind: "case", What: "'case ' || t.number || ', ' || lower(t.state)", Time: "t.create_time",
			Who: "t.closed_by", Name: trail.NameOf("cases", "id"), People: []string{"closed_by"},
			About: map[trail.Kind]string{trail.Lot: `EXISTS (SELECT FROM treatment.outbreak_lot l
				WHERE l.nursery = t.nursery AND l.outbreak = t.id AND l.lot = @id)`},
		},
		{
			Table: "treatment.outbreak_lot", Kind: "lot in case", What: "'lot ' || t.lot || ' joined case'", Time: "t.joined",
			Name: trail.NameOf("cases", "outbreak"), About: map[trail.Kind]string{trail.Lot: "t.lot = @id"},
		},
		{
			Table: "treatment.outbreak_lot", Kind: "lot in case", What: "'lot ' || t.lot || ' left case'", Time: "t.left_time",
			Name: trail.NameOf("cases", "outbreak"), About: map[trail.Kind]string{trail.Lot: "t.lot = @id"},
		},
		{
			Table: "treatment.program", Kind: "program", What: "'program against ' || t.disorder || ', ' || lower(t.status)",
			Time: "t.start_time", Name: trail.NameOf("programs", "id"), Within: []string{"template", "state"},
			About: map[trail.Kind]string{trail.Lot: `EXISTS (SELECT FROM treatment.outbreak_lot l
				WHERE l.nursery = t.nursery AND l.outbreak = t.outbreak AND l.lot = @id)`},
		},
		{
			Table: "treatment.step", Kind: "step", What: "'step ' || t.id || ', ' || lower(t.status)",
			Name: trail.NameOf("programs", "program", "steps", "id"), About: map[trail.Kind]string{trail.Lot: lotInCase},
		},
		{
			Table: "treatment.program_event", Kind: "program event", What: "replace(t.kind, '_', ' ') || ' ' || t.step", Time: "t.event_time",
			Who: "t.person", Name: trail.NameOf("programs", "program"), People: []string{"person"}, Within: []string{"confirmation"},
			About: map[trail.Kind]string{trail.Lot: lotInCase},
		},
	}
}

func applicationHistory() []trail.Source {
	return []trail.Source{{
		Table: "treatment.application", From: appliedRows, Kind: "application", Time: "t.end_time", Who: "t.applicator",
		What: "lower(t.method) || ' against ' || t.disorder", Name: trail.NameOf("applications", "id"),
		People: []string{"applicator"}, Within: []string{"said", "treatments"},
		About: map[trail.Kind]string{
			trail.Lot: "@id = ANY(t.lots)",
			trail.House: `@id = ANY(t.houses) OR EXISTS (SELECT FROM treatment.application_active c
				WHERE c.nursery = t.nursery AND c.application = t.id AND c.house = @id)`,
			trail.Container: trail.NameOf("applications", "id") + " = ANY(@applications::text[])",
		},
	}}
}

// airHistory is how houses were aired and what was measured in their air.
func airHistory() []trail.Source {
	moment := func(what, at, who string) trail.Source {
		return trail.Source{
			Table: "treatment.airing", Kind: "airing", What: what, Time: "t." + at, Who: "t." + who,
			Name: trail.NameOf("houses", "house", "airings", "id"), People: []string{who},
			About: map[trail.Kind]string{trail.House: "t.house = @id"},
		}
	}
	return []trail.Source{
		moment("lower(t.device) || ' in ' || t.house || ' began'", "start_time", "recorder"),
		moment("lower(t.device) || ' in ' || t.house || ' ended'", "end_time", "ender"),
		moment("'airing of ' || t.house || ' does not count: ' || t.void_reason", "void_time", "voider"),
		{
			Table: "treatment.air_measurement", Kind: "air measurement", Time: "t.measure_time", Who: "t.recorder",
			What: "t.amount || ' ' || t.unit || ' of ' || t.product || ' in the air of ' || t.house",
			Name: trail.NameOf("houses", "house", "airMeasurements", "id"), People: []string{"recorder"},
			About: map[trail.Kind]string{trail.House: "t.house = @id"},
		},
	}
}

// entryHistory is who went into houses, and which notices of applications were given.
func entryHistory() []trail.Source {
	entry := trail.NameOf("houses", "house", "entries", "id")
	return []trail.Source{
		{
			Table: "treatment.house_entry", Kind: "house entry", Time: "t.start_time", Who: "t.person", Name: entry,
			What:   "t.person || ' went into ' || t.house || ': ' || lower(replace(t.kind, '_', ' '))",
			People: []string{"person", "recorder"}, Within: []string{"grounds"}, About: map[trail.Kind]string{trail.House: "t.house = @id"},
		},
		{
			Table: "treatment.house_entry", Kind: "house entry", Time: "t.end_time", Who: "t.person", Name: entry,
			What:   "t.person || ' came out of ' || t.house",
			People: []string{"person", "end_recorder"}, About: map[trail.Kind]string{trail.House: "t.house = @id"},
		},
		{
			Table: "treatment.notice_done", Kind: "notice", Time: "t.done_time", Who: "t.person", Name: trail.NameOf("applications", "application"),
			What:   "lower(replace(t.kind, '_', ' ')) || ' in ' || t.house || ' for application ' || t.application",
			People: []string{"person"}, About: map[trail.Kind]string{trail.House: "t.house = @id"},
		},
	}
}
