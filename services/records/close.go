package records

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	recordsv1 "velamen/gen/velamen/records/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/resource"
)

// closing is where the ledger stood when a month was closed. Its JSON is the
// canonical form that is signed: as with entries, names and order must never change,
// and a new fact goes at the end and is left out when it is absent.
type closing struct {
	Nursery          string    `json:"nursery"`
	Number           int64     `json:"number"`
	Month            string    `json:"month"`
	TimeZone         string    `json:"time_zone"`
	BeginTime        time.Time `json:"begin_time"`
	EndTime          time.Time `json:"end_time"`
	LastSequence     int64     `json:"last_sequence"`
	Head             string    `json:"head"`
	MonthEntries     int64     `json:"month_entries"`
	MonthCorrections int64     `json:"month_corrections"`
	PrevClose        string    `json:"prev_close"`
	Closer           string    `json:"closer"`
	CloseTime        time.Time `json:"close_time"`
	KeyID            string    `json:"key_id"`
	// PurgedThrough is the last entry that was purged before, where entries of the month may
	// have gone by that: MonthEntries counts only those that were still there.
	PurgedThrough int64 `json:"purged_through,omitempty"`
}

// signedPrefix stands before what is signed, so that a signature of the same key on
// anything else is never a signature of a close.
const signedPrefix = "velamen records close v1\n"

func signedMessage(body string) []byte { return []byte(signedPrefix + body) }

// closeRow is a close as its table holds it, before anything is believed.
type closeRow struct {
	number       int64
	body         string
	signature    []byte
	publicKey    []byte
	month        string
	endTime      time.Time
	lastSequence int64
}

// hash is what the next close carries of this one.
func (r closeRow) hash() string {
	sum := sha256.Sum256(append([]byte(r.body), r.signature...))
	return hex.EncodeToString(sum[:])
}

// noClose is what the first close carries as the hash of the one before it.
func noClose() string { return hex.EncodeToString(make([]byte, sha256.Size)) }

// body returns the canonical JSON of the close.
func (c closing) body() (string, error) {
	body, err := canonical(c)
	if err != nil {
		return "", fmt.Errorf("write the close of %s: %w", c.Month, err)
	}
	return body, nil
}

// canonical returns the JSON of what is signed: the fields in the order of the type,
// without spaces and without escapes for HTML.
func canonical(signed any) (string, error) {
	var buffer bytes.Buffer
	encoder := json.NewEncoder(&buffer)
	encoder.SetEscapeHTML(false)
	if err := encoder.Encode(signed); err != nil {
		return "", err
	}
	return string(bytes.TrimSuffix(buffer.Bytes(), []byte("\n"))), nil
}

// parseClosing reads a body and refuses one that is not in the canonical form.
func parseClosing(body string) (closing, error) {
	decoder := json.NewDecoder(bytes.NewReader([]byte(body)))
	decoder.DisallowUnknownFields()
	var c closing
	if err := decoder.Decode(&c); err != nil {
		return closing{}, fmt.Errorf("read a close: %w", err)
	}
	c.BeginTime, c.EndTime, c.CloseTime = clock.Stored(c.BeginTime), clock.Stored(c.EndTime), clock.Stored(c.CloseTime)
	canonical, err := c.body()
	if err != nil {
		return closing{}, err
	}
	if canonical != body {
		return closing{}, fmt.Errorf("the close of %s is not in the canonical form", c.Month)
	}
	return c, nil
}

// sign returns the close as its table holds it.
func (c closing) sign(key *SigningKey) (closeRow, error) {
	c.KeyID = keyID(key.publicKey())
	body, err := c.body()
	if err != nil {
		return closeRow{}, err
	}
	return closeRow{
		number: c.Number, body: body, signature: ed25519.Sign(key.private, signedMessage(body)), publicKey: key.publicKey(),
		month: c.Month, endTime: c.EndTime, lastSequence: c.LastSequence,
	}, nil
}

// month is a calendar month in a nursery's zone.
type month struct {
	name string
	// begin is when its first day begins and end when that of the next month does.
	begin, end time.Time
}

const monthForm = "2006-01"

// readMonth reads the month of a request and refuses one that goes on.
func readMonth(typed string, zone *time.Location, now time.Time) (month, error) {
	first, err := time.Parse(monthForm, typed)
	if err != nil {
		return month{}, fault.Field("month", "%q is not a month such as 2026-03", typed).With("month", typed)
	}
	m := month{name: typed}
	if m.begin, _, err = clock.Day(first.Format(time.DateOnly), zone); err != nil {
		return month{}, err
	}
	if m.end, _, err = clock.Day(first.AddDate(0, 1, 0).Format(time.DateOnly), zone); err != nil {
		return month{}, err
	}
	if now.Before(m.end) {
		ends := m.end.In(zone).Format("2006-01-02 15:04")
		return month{}, fault.FieldReason(fault.Precondition, fault.InvalidTimes, "month",
			"%s has not ended: it ends at %s in %s, and a month is closed after it ended", typed, ends, zone).
			With("month", typed).With("end_time", m.end.Format(time.RFC3339)).With("time_zone", zone.String())
	}
	return m, nil
}

// refuseOrder refuses a month that was closed, or one before a month that was: its
// signature would say less than one that is there already.
func (m month) refuseOrder(nursery string, last *closeRow) error {
	switch {
	case last == nil || m.name > last.month:
		return nil
	case m.name == last.month:
		return fault.FieldReason(fault.Exists, fault.AlreadyExists, "month",
			"%s was closed before; an entry that comes in later is kept and shown as late", m.name).
			With("name", closeName(nursery, m.name)).With("month", m.name)
	default:
		return fault.FieldReason(fault.Precondition, fault.AlreadyExists, "month",
			"months are closed in their order, and %s was closed before; its signature covers what stood in the ledger for %s", last.month, m.name).
			With("month", m.name).With("closed", last.month)
	}
}

// noKey is the refusal of what has to be signed where no key is in place.
func noKey(refused string) error {
	return fault.New(fault.Precondition, fault.NotFoundReason,
		"no signing key is in place on this server, so %s", refused).
		With("resource", "signing key")
}

func closeName(nursery, month string) string {
	return resource.Of("nurseries", nursery, "closes", month)
}

// contract returns the close as the contract carries it.
func (r closeRow) contract(late []int64) (*recordsv1.Close, error) {
	c, err := parseClosing(r.body)
	if err != nil {
		return nil, err
	}
	message := &recordsv1.Close{
		Name: closeName(c.Nursery, c.Month), Number: c.Number, Month: c.Month, TimeZone: c.TimeZone,
		BeginTime: timestamppb.New(c.BeginTime), EndTime: timestamppb.New(c.EndTime),
		LastEntry: c.LastSequence, Head: c.Head, MonthEntries: c.MonthEntries, MonthCorrections: c.MonthCorrections,
		Closer: c.Closer, CreateTime: timestamppb.New(c.CloseTime),
		KeyId: c.KeyID, PublicKey: hex.EncodeToString(r.publicKey), Signature: hex.EncodeToString(r.signature), SignedText: r.body,
	}
	for _, sequence := range late {
		message.LateEntries = append(message.LateEntries, entryName(c.Nursery, sequence))
	}
	return message, nil
}
