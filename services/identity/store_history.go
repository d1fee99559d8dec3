package identity

import "velamen/internal/trail"

// History returns what this service keeps about people.
func History() trail.Account {
	person := trail.NameOf("people", "person")
	qualification := trail.NameOf("people", "person", "qualifications", "id")
	return trail.Account{
		Sources: []trail.Source{
			{
				Table: "identity.person", Kind: "person", What: "t.display_name", Name: trail.NameOf("people", "id"),
				About: map[trail.Kind]string{trail.Person: "t.id = @id"}, Hide: []string{"password_hash"},
			},
			{
				Table: "identity.certificate", Kind: "certificate", What: "'certificate ' || t.number", Who: "t.person", Name: person,
				People: []string{"person"},
			},
			{
				Table: "identity.token", Kind: "sign-in", What: "'signed in'", Time: "t.create_time", Who: "t.person", Name: person,
				People: []string{"person"}, Hide: []string{"hash"},
			},
			{
				Table: "identity.qualification", Kind: "qualification", What: "t.kind || ' entered for ' || t.person",
				Time: "t.create_time", Who: "t.recorder", Name: qualification, People: []string{"person", "recorder"},
			},
			{
				Table: "identity.qualification", Kind: "qualification", What: "t.kind || ' voided for ' || t.person",
				Time: "t.void_time", Who: "t.voider", Name: qualification, People: []string{"person", "voider"},
			},
		},
		LeftOut: []trail.LeftOut{
			{
				Table: "identity.person", Columns: []string{"password_hash"}, About: []trail.Kind{trail.Person},
				Reason: "The hash of the password: with it somebody could try passwords.",
			},
			{
				Table: "identity.token", Columns: []string{"hash"}, About: []trail.Kind{trail.Person},
				Reason: "The hash of each sign-in. Sign-ins that ended are not kept.",
			},
		},
	}
}
