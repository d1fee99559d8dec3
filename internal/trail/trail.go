// Package trail reads what tables keep about one subject, row by row and column by
// column as it is kept, for histories. Each service says in one place which of its
// rows belong to which subject; nothing else has to be written for a new table.
package trail

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"velamen/internal/postgres"
)

// Kind is what a subject is.
type Kind string

// The subjects.
const (
	Person    Kind = "person"
	House     Kind = "house"
	Lot       Kind = "lot"
	Container Kind = "container"
)

// Subject is what a history is about.
type Subject struct {
	Kind Kind
	// Name is its resource name; ID the last id in it, Product the one before in the
	// name of a container; Nursery the first.
	Name, Nursery, Product, ID string
	// Applications are names of applications that belong to it and that the service
	// asked cannot know by itself.
	Applications []string
	// Lots are ids of the lots that plants of a lot came from or went to, itself among
	// them.
	Lots []string
	// Begin and End bound the time of what is read; zero ones do not. What has no time is
	// always read.
	Begin, End time.Time
}

// Source says which rows of a table belong to a subject and how one reads. The texts are
// SQL expressions on the row, which is named t. They may use the arguments @nursery,
// @name, @id, @product, @quoted (the name between quotation marks, as it stands in
// JSON), @applications and @lots.
type Source struct {
	// Table is schema.table.
	Table string
	// From is what is read when it is not simply the table as t.
	From string
	// Kind says in the trade's words what a row is.
	Kind string
	// What says in a few words what happened; Time when, Who by whom (an id or a name),
	// Name which resource it is. An empty Time is of what has no time; where there is one
	// and it is NULL, nothing has happened and the row is not read.
	What, Time, Who, Name string
	// People are columns that hold a person's id or name, Within those of JSON in which
	// names stand. A row belongs to a person whom any of them holds.
	People, Within []string
	// About are further conditions, by subject.
	About map[Kind]string
	// Hide are columns that are not read; LeftOut says why.
	Hide []string
}

// LeftOut says why something that is kept is not read.
type LeftOut struct {
	// Table is schema.table, Columns those of it.
	Table   string
	Columns []string
	// About are the subjects whose history says so; none where a column holds nothing
	// about any subject.
	About []Kind
	// Reason is a sentence.
	Reason string
}

// Account is what a service keeps about subjects.
type Account struct {
	Sources []Source
	LeftOut []LeftOut
}

// Fact is one column of a row that is not empty.
type Fact struct {
	Name string
	// Text is the value as the database writes it: decimals exactly, times in UTC (RFC
	// 3339). JSON is set in its place for a structured value.
	Text string
	JSON json.RawMessage
}

// Row is one row about a subject.
type Row struct {
	Table, Kind, What string
	// Time is zero for what has no time.
	Time time.Time
	// Who is an id or a name, empty where nobody is kept; Name the resource, empty where
	// the row is none of its own.
	Who, Name string
	Facts     []Fact
}

// Fact returns the text of a fact of the row, empty when it has none of the name.
func (r Row) Fact(name string) string {
	for _, fact := range r.Facts {
		if fact.Name == name {
			return fact.Text
		}
	}
	return ""
}

// Read returns up to limit rows of an account about a subject, source after source and
// each in the order of time.
func (a Account) Read(ctx context.Context, r postgres.Reader, of Subject, limit int) ([]Row, error) {
	var found []Row
	for _, source := range a.Sources {
		condition := source.condition(of.Kind)
		if condition == "" {
			continue
		}
		rows, err := r.Query(ctx, source.query(condition), pgx.QueryResultFormats{pgx.TextFormatCode}, of.arguments(limit-len(found)))
		if err != nil {
			return nil, fmt.Errorf("read %s: %w", source.Table, postgres.Translate(err))
		}
		of, err := pgx.CollectRows(rows, source.scan)
		if err != nil {
			return nil, fmt.Errorf("read %s: %w", source.Table, postgres.Translate(err))
		}
		found = append(found, of...)
	}
	return found, nil
}

func (s Subject) arguments(limit int) pgx.NamedArgs {
	args := pgx.NamedArgs{
		"nursery": s.Nursery, "name": s.Name, "id": s.ID, "product": s.Product, "quoted": `"` + s.Name + `"`,
		"applications": s.Applications, "lots": s.Lots, "limit": limit, "begin": nil, "end": nil,
	}
	if !s.Begin.IsZero() {
		args["begin"] = s.Begin
	}
	if !s.End.IsZero() {
		args["end"] = s.End
	}
	return args
}

// condition returns when a row belongs to a subject of a kind; empty for never.
func (s Source) condition(kind Kind) string {
	var either []string
	if about := s.About[kind]; about != "" {
		either = append(either, about)
	}
	if kind == Person {
		for _, column := range s.People {
			either = append(either, fmt.Sprintf("t.%s IN (@id, @name)", column))
		}
		for _, column := range s.Within {
			either = append(either, fmt.Sprintf("position(@quoted::text IN t.%s::text) > 0", column))
		}
	}
	return strings.Join(either, " OR ")
}

func (s Source) query(condition string) string {
	from := cmp.Or(s.From, s.Table+" t")
	during := "row_time IS NULL"
	if s.Time != "" {
		during = "(@begin::timestamptz IS NULL OR row_time >= @begin) AND (@end::timestamptz IS NULL OR row_time < @end) AND row_time IS NOT NULL"
	}
	orNull := func(expression string) string { return cmp.Or(expression, "NULL") }
	return fmt.Sprintf(`
		SELECT * FROM (
			SELECT (%s)::timestamptz AS row_time, (%s)::text AS row_who, (%s)::text AS row_name, (%s)::text AS row_what, t.*
			FROM %s WHERE t.nursery = @nursery AND (%s)) found
		WHERE %s ORDER BY row_time NULLS FIRST, row_name COLLATE "C", row_what COLLATE "C" LIMIT @limit`,
		orNull(s.Time), orNull(s.Who), orNull(s.Name), orNull(s.What), from, condition, during)
}

// named is how many columns stand before those of the table.
const named = 4

func (s Source) scan(row pgx.CollectableRow) (Row, error) {
	values, columns := row.RawValues(), row.FieldDescriptions()
	read := Row{Table: s.Table, Kind: s.Kind, Who: string(values[1]), Name: string(values[2]), What: string(values[3])}
	if values[0] != nil {
		at, err := readTime(string(values[0]))
		if err != nil {
			return Row{}, err
		}
		read.Time = at
	}
	for i := named; i < len(values); i++ {
		name := columns[i].Name
		if len(values[i]) == 0 || name == "nursery" || slices.Contains(s.Hide, name) {
			continue
		}
		fact, err := readFact(name, columns[i].DataTypeOID, values[i])
		if err != nil {
			return Row{}, err
		}
		read.Facts = append(read.Facts, fact)
	}
	return read, nil
}

// readFact returns the value of a column from the text that the database gives of it.
func readFact(name string, oid uint32, value []byte) (Fact, error) {
	fact := Fact{Name: name, Text: string(value)}
	switch oid {
	case pgtype.JSONBOID, pgtype.JSONOID:
		fact.Text, fact.JSON = "", slices.Clone(value)
	case pgtype.BoolOID:
		fact.Text = map[string]string{"t": "true", "f": "false"}[fact.Text]
	case pgtype.TimestamptzOID:
		at, err := readTime(fact.Text)
		if err != nil {
			return Fact{}, err
		}
		fact.Text = at.Format(time.RFC3339Nano)
	}
	return fact, nil
}

// readTime reads a timestamptz as the database writes it.
func readTime(text string) (time.Time, error) {
	at, err := time.Parse("2006-01-02 15:04:05.999999999Z07", text)
	if err != nil {
		return time.Time{}, fmt.Errorf("a time in the database: %w", err)
	}
	return at.UTC(), nil
}

// NameOf returns the SQL expression of the name of a resource of the row's nursery:
// collections, each followed by the column of t that holds its id.
func NameOf(parts ...string) string {
	expression := "'nurseries/' || t.nursery"
	for i := 0; i+1 < len(parts); i += 2 {
		expression += fmt.Sprintf(" || '/%s/' || t.%s", parts[i], parts[i+1])
	}
	return expression
}
