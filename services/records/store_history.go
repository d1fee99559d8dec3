package records

import "velamen/internal/trail"

// enteredRows reads entries with what they say as JSON, exactly as it is hashed.
const enteredRows = `(
	SELECT nursery, sequence, body::json AS body, encode(hash, 'hex') AS hash, application, house, product, start_time, end_time, corrects
	FROM records.entry) t`

// closedRows reads closes likewise.
const closedRows = `(SELECT nursery, number, body::json AS body, month, end_time, last_sequence FROM records.close) t`

// purgedRows reads tombstones likewise.
const purgedRows = `(SELECT nursery, number, body::json AS body, through_sequence, create_time FROM records.purge) t`

// ownHistory returns what the ledger keeps about people, houses, lots and containers.
func ownHistory() trail.Account {
	applied := "t.application = ANY(@applications::text[])"
	return trail.Account{
		Sources: []trail.Source{
			{
				Table: "records.entry", From: enteredRows, Kind: "ledger entry", Time: "t.end_time", Who: "t.body ->> 'applicator'",
				What: "'entry ' || t.sequence || ': ' || t.product || ' in ' || t.house || coalesce(', corrects ' || t.corrects, '')",
				Name: trail.NameOf("entries", "sequence"), Within: []string{"body"},
				About: map[trail.Kind]string{trail.House: "t.house = @name", trail.Lot: applied, trail.Container: applied},
			},
			{
				Table: "records.close", From: closedRows, Kind: "close", What: "'month ' || t.month || ' closed'",
				Time: "(t.body ->> 'close_time')", Who: "t.body ->> 'closer'", Name: trail.NameOf("closes", "month"), Within: []string{"body"},
			},
			{
				Table: "records.hold", Kind: "hold", What: "CASE WHEN t.lifts IS NULL THEN 'hold placed' ELSE 'hold ' || t.lifts || ' lifted' END",
				Time: "t.create_time", Who: "t.person", Name: trail.NameOf("holds", "number"), People: []string{"person"},
				About: map[trail.Kind]string{trail.House: `t.house = @name OR EXISTS (SELECT FROM records.hold h
					WHERE h.nursery = t.nursery AND h.number = t.lifts AND h.house = @name)`},
			},
			{
				Table: "records.purge", From: purgedRows, Kind: "purge", What: "'entries to ' || t.through_sequence || ' purged'",
				Time: "t.create_time", Who: "t.body ->> 'person'", Name: trail.NameOf("purges", "number"), Within: []string{"body"},
			},
			{
				Table: "records.duty_settings", Kind: "answers about duties", What: "'what decides about duties answered'",
				Time: "t.create_time", Who: "t.person", Name: trail.NameOf() + " || '/dutySettings'", People: []string{"person"},
			},
			{
				Table: "records.duty_done", Kind: "duty done", What: "t.deadline || ' of ' || coalesce(t.application, t.month) || ' done'",
				Time: "t.done_time", Who: "t.person", Name: trail.NameOf("dutyRecords", "number"), People: []string{"person"},
				About: map[trail.Kind]string{
					trail.Lot: applied, trail.Container: applied,
					trail.House: `EXISTS (SELECT FROM records.entry e
					WHERE e.nursery = t.nursery AND e.application = t.application AND e.house = @name)`,
				},
			},
		},
		LeftOut: []trail.LeftOut{
			{
				Table: "records.entry", Columns: []string{"prev_hash"},
				Reason: "The hash of the entry before: it is that of the entry before.",
			},
			{
				Table: "records.close", Columns: []string{"signature", "public_key"},
				Reason: "Signature and key of a close: the list of closes shows them.",
			},
			{
				Table: "records.purge", Columns: []string{"head", "signature", "public_key"},
				Reason: "Signature and key of a tombstone, and the hash in it: the list of purges shows them.",
			},
			{
				Table: "records.hold", About: []trail.Kind{trail.House},
				Reason: "Holds on the records of all houses: the list of holds shows them.",
			},
			{
				Table: "records.entry", About: []trail.Kind{trail.Person},
				Reason: "Free text in which somebody wrote the person's name or meant them: only names that are entered as such are searched for.",
			},
		},
	}
}
