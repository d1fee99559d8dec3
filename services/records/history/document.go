// Package history lays out everything on record about one person, house, lot or
// container, for an audit or for the person. It knows nothing of where the records are
// kept: it puts them in order and writes them.
package history

import (
	"cmp"
	"encoding/json"
	"slices"
	"time"
)

// schema names the form of the JSON; it changes when a reader of the old form would read
// the new one wrongly.
const schema = "velamen-history/1"

// Caution stands in every history.
const Caution = "What is written here is what was entered; it is no proof that all was entered. The product label and local law decide, " +
	"and local law says to whom personal data may be shown."

// Document is a history.
type Document struct {
	// Schema is set by Build.
	Schema string `json:"schema"`
	// Kind is person, house, lot or container; Subject its resource name.
	Kind    string `json:"kind"`
	Subject string `json:"subject"`
	// SubjectName is what people call it.
	SubjectName string `json:"subject_name"`
	Nursery     string `json:"nursery"`
	NurseryName string `json:"nursery_name"`
	// Zone is the IANA name of the zone of local times.
	Zone string `json:"time_zone"`
	// MadeTime is when the records were read.
	MadeTime string `json:"made_time"`
	// FromDate and ToDate are days in the zone; empty where that end is open.
	FromDate string `json:"from_date,omitempty"`
	ToDate   string `json:"to_date,omitempty"`
	Caution  string `json:"caution"`
	// Limits say how the records are to be read, LeftOut what is kept and not here.
	Limits  []string `json:"limits"`
	LeftOut []string `json:"left_out"`
	// Records are those without a time first, then the others in the order of time.
	Records []Record `json:"records"`
}

// Record is one thing on record.
type Record struct {
	// At is when it happened; zero for a fact that has no time.
	At time.Time `json:"-"`
	// Time and LocalTime are At in UTC and in the zone (RFC 3339); set by Build.
	Time      string `json:"time,omitempty"`
	LocalTime string `json:"local_time,omitempty"`
	// Kind is what it is in the trade's words, Source the table that keeps it.
	Kind   string `json:"kind"`
	Source string `json:"source"`
	// What says in a few words what happened.
	What string `json:"what"`
	// Who is a person's resource name and WhoName what people call them; both empty where
	// nobody is kept.
	Who     string `json:"who,omitempty"`
	WhoName string `json:"who_name,omitempty"`
	// Resource is the resource name; empty where the record is none of its own.
	Resource string `json:"resource,omitempty"`
	// Facts are all that is kept of it, in the order of the table's columns.
	Facts []Fact `json:"facts"`
}

// Fact is one value of a record. Decimals are exact, times in UTC.
type Fact struct {
	Name string `json:"name"`
	Text string `json:"text,omitempty"`
	// JSON stands in the place of Text for a structured value.
	JSON json.RawMessage `json:"json,omitempty"`
}

// limits are true of every history.
var limits = []string{
	"Times are those at which something happened as it was entered; when it was entered is among the facts where it is kept.",
	"A record whose facts changed later, such as a house or the state of a case, shows them as they are now.",
	"One thing that happened in several moments, such as a sample that was sent and reported, has a record for each.",
	"What happened to plants while they stood in another lot is in the history of that lot, which the records of plants name.",
}

// Build puts records in order and completes a document with what all of them say. The same
// records give the same document, in whatever order they come.
func Build(document Document, zone *time.Location, madeAt time.Time) Document {
	document.Schema, document.Caution, document.Limits = schema, Caution, slices.Clone(limits)
	document.Zone, document.MadeTime = zone.String(), madeAt.UTC().Format(time.RFC3339Nano)
	document.Records = append([]Record{}, document.Records...)
	for i := range document.Records {
		record := &document.Records[i]
		if record.Facts == nil {
			record.Facts = []Fact{}
		}
		if !record.At.IsZero() {
			record.Time, record.LocalTime = record.At.UTC().Format(time.RFC3339Nano), record.At.In(zone).Format(time.RFC3339Nano)
		}
	}
	slices.SortStableFunc(document.Records, before)
	if document.LeftOut == nil {
		document.LeftOut = []string{}
	}
	return document
}

// before orders records by time, and those of one time by all that they say.
func before(a, b Record) int {
	return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Source, b.Source), cmp.Compare(a.Resource, b.Resource),
		cmp.Compare(a.What, b.What), cmp.Compare(text(a.Facts), text(b.Facts)))
}
