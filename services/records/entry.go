// Package records keeps the ledger of chemical applications and the reports made
// from it. The ledger is append-only evidence: an entry is corrected by a new
// one, and each carries the hash of the one before it.
package records

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	recordsv1 "velamen/gen/velamen/records/v1"
	"velamen/internal/clock"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/services/products"
	"velamen/services/treatment"
)

// entry is one product of one application in one house. Its JSON is the
// canonical form that is hashed: the names and their order must never change. A
// new fact goes at the end and is left out when it is absent, so that entries
// written before it keep their form.
type entry struct {
	Nursery                 string            `json:"nursery"`
	Sequence                int64             `json:"sequence"`
	Application             string            `json:"application"`
	House                   string            `json:"house"`
	Product                 string            `json:"product"`
	ProductDisplayName      string            `json:"product_display_name"`
	RegistrationNumber      string            `json:"registration_number"`
	RestrictedUse           bool              `json:"restricted_use"`
	Actives                 []activeUse       `json:"actives"`
	ProductAmount           quantity.Quantity `json:"product_amount"`
	MixVolume               quantity.Quantity `json:"mix_volume"`
	Area                    quantity.Quantity `json:"area"`
	StartTime               time.Time         `json:"start_time"`
	EndTime                 time.Time         `json:"end_time"`
	Applicator              string            `json:"applicator"`
	ApplicatorDisplayName   string            `json:"applicator_display_name"`
	Target                  string            `json:"target"`
	Crops                   []string          `json:"crops"`
	Method                  string            `json:"method"`
	RestrictedEntryInterval quantity.Quantity `json:"restricted_entry_interval"`
	CreateTime              time.Time         `json:"create_time"`
	Correction              *correction       `json:"correction,omitempty"`
	Breach                  string            `json:"breach,omitempty"`
	Overrides               []override        `json:"overrides,omitempty"`
	BreachRules             []string          `json:"breach_rules,omitempty"`
	dayFacts
}

// override is a rule that refused the application and that a person, named by
// resource, went against.
type override struct {
	Rule   string `json:"rule"`
	Note   string `json:"note"`
	Person string `json:"person"`
}

// activeUse is an active ingredient in an entry. The content stays beside the
// amount, so that the amount can be computed again.
type activeUse struct {
	ActiveIngredient string            `json:"active_ingredient"`
	FRACCode         string            `json:"frac_code"`
	Content          quantity.Quantity `json:"content"`
	Amount           quantity.Quantity `json:"amount"`
}

// correction says which entry another takes the place of.
type correction struct {
	Corrects int64  `json:"corrects"`
	Person   string `json:"person"`
	Note     string `json:"note"`
}

// body returns the canonical JSON of the entry.
func (e entry) body() (string, error) {
	var buffer bytes.Buffer
	encoder := json.NewEncoder(&buffer)
	encoder.SetEscapeHTML(false)
	if err := encoder.Encode(e); err != nil {
		return "", fmt.Errorf("write entry %d: %w", e.Sequence, err)
	}
	return string(bytes.TrimSuffix(buffer.Bytes(), []byte("\n"))), nil
}

// parseEntry reads a body and refuses one that is not in the canonical form.
func parseEntry(body string) (entry, error) {
	decoder := json.NewDecoder(bytes.NewReader([]byte(body)))
	decoder.DisallowUnknownFields()
	var e entry
	if err := decoder.Decode(&e); err != nil {
		return entry{}, fmt.Errorf("read a ledger entry: %w", err)
	}
	e.StartTime, e.EndTime, e.CreateTime = clock.Stored(e.StartTime), clock.Stored(e.EndTime), clock.Stored(e.CreateTime)
	canonical, err := e.body()
	if err != nil {
		return entry{}, err
	}
	if canonical != body {
		return entry{}, fmt.Errorf("ledger entry %d is not in the canonical form", e.Sequence)
	}
	return e, nil
}

// entriesOf returns the entries of a confirmed application, in the order of its
// houses and products, without sequence and time of entry.
func entriesOf(nursery string, applied treatment.ApplicationConfirmed) ([]entry, error) {
	var entries []entry
	for _, house := range applied.Houses {
		for _, product := range house.Products {
			e := entry{
				Nursery: nursery, Application: applied.Application, House: house.House,
				Product: product.Product, ProductDisplayName: product.DisplayName,
				RegistrationNumber: product.RegistrationNumber, RestrictedUse: product.RestrictedUse,
				ProductAmount: product.Amount, MixVolume: house.MixVolume, Area: house.Area,
				StartTime: clock.Stored(applied.Start), EndTime: clock.Stored(applied.End),
				Applicator: applied.Applicator, ApplicatorDisplayName: applied.ApplicatorDisplayName,
				Target: applied.Disorder, Crops: slices.Sorted(slices.Values(house.Crops)),
				Method: applied.Method, RestrictedEntryInterval: applied.RestrictedEntryInterval, Breach: applied.Breach,
				BreachRules: applied.BreachRules, dayFacts: factsOn(applied, house, product),
			}
			for _, o := range applied.Overrides {
				e.Overrides = append(e.Overrides, override{Rule: o.Rule, Note: o.Note, Person: o.Person})
			}
			for _, active := range product.Actives {
				e.Actives = append(e.Actives, activeUse{
					ActiveIngredient: active.ActiveIngredient, FRACCode: active.FRACCode, Content: active.Content,
				})
			}
			if err := e.computeActives(); err != nil {
				return nil, fmt.Errorf("%s in %s: %w", product.Product, house.House, err)
			}
			entries = append(entries, e)
		}
	}
	return entries, nil
}

// computeActives sets the amount of each active ingredient from the product's
// amount and content. It writes to a new slice: entries may share theirs.
func (e *entry) computeActives() error {
	actives := slices.Clone(e.Actives)
	for i := range actives {
		grams, err := products.ActiveIn(e.ProductAmount, actives[i].Content)
		if err != nil {
			return err
		}
		actives[i].Amount = grams
	}
	e.Actives = actives
	return nil
}

func entryName(nursery string, sequence int64) string {
	return resource.Of("nurseries", nursery, "entries", strconv.FormatInt(sequence, 10))
}

// kept is an entry as the ledger keeps it.
type kept struct {
	entry
	hash []byte
	// correctedBy is the sequence of the entry that took its place, or nil.
	correctedBy *int64
}

// contract returns the entry as the contract carries it.
func (k kept) contract() (*recordsv1.Entry, error) {
	method, err := products.ParseMethod(k.Method)
	if err != nil {
		return nil, fmt.Errorf("ledger entry %d: %w", k.Sequence, err)
	}
	message := &recordsv1.Entry{
		Name: entryName(k.Nursery, k.Sequence), Sequence: k.Sequence,
		Application: k.Application, House: k.House, Product: k.Product,
		ProductDisplayName: k.ProductDisplayName, RegistrationNumber: k.RegistrationNumber, RestrictedUse: k.RestrictedUse,
		ProductAmount: k.ProductAmount.Contract(), MixVolume: k.MixVolume.Contract(), Area: k.Area.Contract(),
		StartTime: timestamppb.New(k.StartTime), EndTime: timestamppb.New(k.EndTime),
		Applicator: k.Applicator, ApplicatorDisplayName: k.ApplicatorDisplayName,
		Target: k.Target, Crops: k.Crops, Method: method,
		RestrictedEntryInterval: k.RestrictedEntryInterval.Contract(), BreachNote: k.Breach, BreachRules: k.BreachRules,
		Hash: hex.EncodeToString(k.hash), CreateTime: timestamppb.New(k.CreateTime),
	}
	for _, active := range k.Actives {
		message.Actives = append(message.Actives, &recordsv1.ActiveUse{
			ActiveIngredient: active.ActiveIngredient, FracCode: active.FRACCode, Amount: active.Amount.Contract(),
		})
	}
	for _, o := range k.Overrides {
		message.Overrides = append(message.Overrides, &recordsv1.Override{Rule: o.Rule, Note: o.Note, Person: o.Person})
	}
	if k.Correction != nil {
		message.Correction = &recordsv1.Correction{
			Corrects: entryName(k.Nursery, k.Correction.Corrects), Person: k.Correction.Person, Note: k.Correction.Note,
		}
	}
	if k.correctedBy != nil {
		message.CorrectedBy = entryName(k.Nursery, *k.correctedBy)
	}
	if err := k.fill(message); err != nil {
		return nil, fmt.Errorf("ledger entry %d: %w", k.Sequence, err)
	}
	return message, nil
}
