package treatment

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/encoding/protojson"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
)

const houseEntryColumns = `nursery, id, house, person, kind, purpose, protective_equipment, start_time, end_time,
	contact, hand_labour, unforeseen, declared, breach_note, grounds, recorder, create_time`

func scanHouseEntry(row pgx.CollectableRow) (houseEntry, error) {
	var e houseEntry
	var kind string
	var end *time.Time
	var contact, handLabour, unforeseen, declared *bool
	var grounds []byte
	err := row.Scan(&e.nursery, &e.id, &e.house, &e.person, &kind, &e.purpose, &e.equipment, &e.start, &end,
		&contact, &handLabour, &unforeseen, &declared, &e.breachNote, &grounds, &e.recorder, &e.created)
	if err != nil {
		return e, err
	}
	e.kind = treatmentv1.EntryKind(treatmentv1.EntryKind_value[entryKindPrefix+kind])
	e.start, e.created = e.start.UTC(), e.created.UTC()
	if end != nil {
		e.end = end.UTC()
	}
	e.contact, e.handLabour, e.unforeseen, e.declared = saidOf(contact), saidOf(handLabour), saidOf(unforeseen), saidOf(declared)
	if e.grounds, err = groundsFrom(grounds); err != nil {
		return e, fmt.Errorf("grounds of entry %s: %w", e.id, err)
	}
	return e, nil
}

// saidOf returns an answer that is kept; nil is none.
func saidOf(kept *bool) treatmentv1.Said {
	switch {
	case kept == nil:
		return treatmentv1.Said_SAID_UNSPECIFIED
	case *kept:
		return treatmentv1.Said_SAID_YES
	}
	return treatmentv1.Said_SAID_NO
}

// keptAnswer is the reverse of saidOf.
func keptAnswer(said treatmentv1.Said) *bool {
	if said == treatmentv1.Said_SAID_UNSPECIFIED {
		return nil
	}
	yes := said == treatmentv1.Said_SAID_YES
	return &yes
}

func groundsFrom(kept []byte) ([]*treatmentv1.EntryGround, error) {
	var each []json.RawMessage
	if err := json.Unmarshal(kept, &each); err != nil {
		return nil, err
	}
	var grounds []*treatmentv1.EntryGround
	for _, one := range each {
		ground := &treatmentv1.EntryGround{}
		if err := protojson.Unmarshal(one, ground); err != nil {
			return nil, err
		}
		grounds = append(grounds, ground)
	}
	return grounds, nil
}

func keptGrounds(grounds []*treatmentv1.EntryGround) ([]byte, error) {
	each := make([]json.RawMessage, len(grounds))
	for i, ground := range grounds {
		one, err := protojson.Marshal(ground)
		if err != nil {
			return nil, err
		}
		each[i] = one
	}
	return json.Marshal(each)
}

const entryKindPrefix = "ENTRY_KIND_"

// storedEntryKind is how a kind stands in the database.
func storedEntryKind(kind treatmentv1.EntryKind) string {
	return strings.TrimPrefix(kind.String(), entryKindPrefix)
}

func insertHouseEntry(ctx context.Context, tx pgx.Tx, e houseEntry) error {
	grounds, err := keptGrounds(e.grounds)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `
		INSERT INTO treatment.house_entry (`+houseEntryColumns+`)
		VALUES (@nursery, @id, @house, @person, @kind, @purpose, @equipment, @start, @end,
			@contact, @hand_labour, @unforeseen, @declared, @breach_note, @grounds, @recorder, @created)`,
		pgx.NamedArgs{
			"nursery": e.nursery, "id": e.id, "house": e.house, "person": e.person, "kind": storedEntryKind(e.kind),
			"purpose": e.purpose, "equipment": e.equipment, "start": e.start, "end": orNull(e.end),
			"contact": keptAnswer(e.contact), "hand_labour": keptAnswer(e.handLabour), "unforeseen": keptAnswer(e.unforeseen),
			"declared": keptAnswer(e.declared), "breach_note": e.breachNote, "grounds": grounds, "recorder": e.recorder, "created": e.created,
		})
	return err
}

// endHouseEntry writes the end of an entry that has none.
func endHouseEntry(ctx context.Context, tx pgx.Tx, e houseEntry, recorder string, now time.Time) error {
	_, err := tx.Exec(ctx, `
		UPDATE treatment.house_entry SET end_time = @end, end_recorder = @recorder, end_create_time = @now
		WHERE nursery = @nursery AND id = @id`,
		pgx.NamedArgs{"nursery": e.nursery, "id": e.id, "end": e.end, "recorder": recorder, "now": now})
	return err
}

// lockHouseEntry returns an entry and holds it until the transaction ends.
func lockHouseEntry(ctx context.Context, tx pgx.Tx, nursery, house, id string) (houseEntry, error) {
	found, err := readHouseEntries(ctx, tx, `nursery = $1 AND house = $2 AND id = $3 FOR UPDATE`, nursery, house, id)
	if err == nil && len(found) == 0 {
		err = fault.Missing("entry", houseEntryName(nursery, house, id))
	}
	if err != nil {
		return houseEntry{}, err
	}
	return found[0], nil
}

func readHouseEntries(ctx context.Context, r postgres.Reader, where string, args ...any) ([]houseEntry, error) {
	rows, err := r.Query(ctx, `SELECT `+houseEntryColumns+` FROM treatment.house_entry WHERE `+where, args...)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	found, err := pgx.CollectRows(rows, scanHouseEntry)
	return found, postgres.Translate(err)
}

// readEntriesOf returns the entries of a person, into any house, that were going on at
// some moment between two, oldest first.
func readEntriesOf(ctx context.Context, r postgres.Reader, nursery, person string, from, until time.Time) ([]houseEntry, error) {
	return readHouseEntries(ctx, r, `nursery = $1 AND person = $2 AND start_time < $4 AND coalesce(end_time, 'infinity') > $3
		ORDER BY start_time, id COLLATE "C"`, nursery, person, from, until)
}

// readInside returns who is in which house (id) at a moment, as the entry log has them:
// those whose end nobody wrote down too.
func readInside(ctx context.Context, r postgres.Reader, nursery string, now time.Time) (map[string][]*treatmentv1.HouseEntry, error) {
	found, err := readHouseEntries(ctx, r, `nursery = $1 AND start_time <= $2 AND coalesce(end_time, 'infinity') > $2
		ORDER BY start_time, id COLLATE "C"`, nursery, now)
	if err != nil {
		return nil, err
	}
	inside := map[string][]*treatmentv1.HouseEntry{}
	for _, e := range found {
		inside[e.house] = append(inside[e.house], e.contract())
	}
	return inside, nil
}

// longestUnended is for how long an entry whose end nobody wrote down lets its person
// work in a closed house: a forgotten end must not do so for weeks. Design value: more
// than a working day.
const longestUnended = 16 * time.Hour

// readCovering returns the entries of a person into a house that last from one moment to
// another and let them be in a closed house: as a handler, early, or as a breach that a
// manager wrote down. An ordinary entry is into what is open.
func readCovering(ctx context.Context, r postgres.Reader, nursery, person, house string, from, until time.Time) ([]houseEntry, error) {
	return readHouseEntries(ctx, r, `
		nursery = @nursery AND person = @person AND house = @house
		AND (kind <> 'ORDINARY' OR breach_note <> '')
		AND start_time <= @from AND coalesce(end_time, start_time + @unended::interval) >= @until`,
		pgx.NamedArgs{"nursery": nursery, "person": person, "house": house, "from": from, "until": until, "unended": longestUnended})
}

// houseEntryKey is where a list of entries goes on.
type houseEntryKey struct {
	start time.Time
	id    string
}

// listHouseEntries returns entries, the newest start first, from one on; an empty house
// or person means all.
func listHouseEntries(ctx context.Context, r postgres.Reader, nursery, house, person string, before *houseEntryKey, limit int) ([]houseEntry, error) {
	var start *time.Time
	id := ""
	if before != nil {
		start, id = &before.start, before.id
	}
	return readHouseEntries(ctx, r, `nursery = $1 AND ($2 = '' OR house = $2) AND ($3 = '' OR person = $3)
		AND ($4::timestamptz IS NULL OR (start_time, id COLLATE "C") < ($4, $5))
		ORDER BY start_time DESC, id COLLATE "C" DESC LIMIT $6`, nursery, house, person, start, id, limit)
}
