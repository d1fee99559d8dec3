package products

import (
	"bytes"
	"cmp"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"
	"sync"
	"time"

	"go.yaml.in/yaml/v3"

	"velamen/internal/jurisdiction"
)

// Approval says that an active ingredient may not be used any more under a law.
type Approval struct {
	// ActiveIngredient is its identifier in the catalog.
	ActiveIngredient string
	// Jurisdiction is the law: "EU", an ISO 3166-1 or 3166-2 code.
	Jurisdiction string
	// Act ended the approval, or why there is none.
	Act string
	// LastUseDate is the last day of use, YYYY-MM-DD, periods of grace included; a
	// member state may have ended it sooner. Empty when no day is known: then no use
	// is taken to be allowed.
	LastUseDate string
	// Source is where it stands, and whether it is from memory.
	Source string
}

// law is what one file of approvals says.
type law struct {
	// jurisdiction is the law's own code.
	jurisdiction string
	// ended are the approvals that it ended, by active ingredient.
	ended []Approval
}

//go:embed approvals/*.yaml
var approvalFiles embed.FS

// laws are the embedded files. They are part of the binary and a test reads them,
// so a fault in one is a broken build.
var laws = sync.OnceValue(func() []law {
	all, err := readLaws(approvalFiles)
	if err != nil {
		panic(err)
	}
	return all
})

func readLaws(files fs.FS) ([]law, error) {
	paths, err := fs.Glob(files, "approvals/*.yaml")
	if err != nil {
		return nil, err
	}
	var all []law
	for _, path := range paths {
		file, err := fs.ReadFile(files, path)
		if err != nil {
			return nil, err
		}
		one, err := parseLaw(file)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", path, err)
		}
		if slices.ContainsFunc(all, func(other law) bool { return other.jurisdiction == one.jurisdiction }) {
			return nil, fmt.Errorf("%s: there is a file for %s already", path, one.jurisdiction)
		}
		all = append(all, one)
	}
	return all, nil
}

// lawFile is a file of approvals.
type lawFile struct {
	Jurisdiction string        `yaml:"jurisdiction"`
	NotApproved  []approvalRow `yaml:"not_approved"`
}

// approvalRow is an approval that ended, as a file writes it.
type approvalRow struct {
	ActiveIngredient string `yaml:"active_ingredient"`
	Act              string `yaml:"act"`
	LastUseDate      string `yaml:"last_use_date"`
	Source           string `yaml:"source"`
}

// parseLaw reads a file of approvals and refuses one with an unknown field, a
// missing fact, or rows that are not in the order of their active ingredients.
func parseLaw(file []byte) (law, error) {
	decoder := yaml.NewDecoder(bytes.NewReader(file))
	decoder.KnownFields(true)
	var read lawFile
	if err := decoder.Decode(&read); err != nil {
		return law{}, err
	}
	if err := jurisdiction.CheckLaw(read.Jurisdiction); err != nil {
		return law{}, fmt.Errorf("jurisdiction: %w", err)
	}
	one := law{jurisdiction: read.Jurisdiction}
	for i, row := range read.NotApproved {
		approval, err := row.approval(read.Jurisdiction)
		if err != nil {
			return law{}, fmt.Errorf("row %d (%q): %w", i+1, row.ActiveIngredient, err)
		}
		if i > 0 && approval.ActiveIngredient <= one.ended[i-1].ActiveIngredient {
			return law{}, fmt.Errorf("%q must come before %q", approval.ActiveIngredient, one.ended[i-1].ActiveIngredient)
		}
		one.ended = append(one.ended, approval)
	}
	return one, nil
}

func (row approvalRow) approval(code string) (Approval, error) {
	if _, known := ActiveIngredientByID(row.ActiveIngredient); !known {
		return Approval{}, errors.New("is not in the catalog of active ingredients")
	}
	if row.Act == "" || row.Source == "" {
		return Approval{}, errors.New("act and source must be given")
	}
	if row.LastUseDate != "" {
		if _, err := time.Parse(time.DateOnly, row.LastUseDate); err != nil {
			return Approval{}, fmt.Errorf("last_use_date %q is not a day", row.LastUseDate)
		}
	}
	return Approval{
		ActiveIngredient: row.ActiveIngredient, Jurisdiction: code, Act: row.Act,
		LastUseDate: row.LastUseDate, Source: row.Source,
	}, nil
}

// LawsOf returns the laws under which products are registered and active
// ingredients approved in a jurisdiction, the narrowest first.
func LawsOf(code string) []string { return jurisdiction.Laws(code) }

// ApprovalFor reports whether an active ingredient may be used in a jurisdiction
// (an ISO 3166-1 or 3166-2 code) on a day (YYYY-MM-DD), as far as approvals go:
// the product's own registration and label decide beyond that. Where an approval
// ended or will end it is returned, the one that ends first when several laws
// bind; otherwise the approval is zero and approved is true.
func ApprovalFor(active, code, day string) (ended Approval, approved bool) {
	for _, approval := range Approvals(code) {
		if approval.ActiveIngredient != active {
			continue
		}
		if ended == (Approval{}) || approval.LastUseDate < ended.LastUseDate {
			ended = approval
		}
	}
	return ended, ended == (Approval{}) || day <= ended.LastUseDate
}

// allLaws asks for the approvals of every law.
const allLaws = "-"

// Approvals returns the approvals that ended under the laws of a jurisdiction, by
// active ingredient and law; all that are known for "-".
func Approvals(code string) []Approval {
	binding := LawsOf(code)
	var ended []Approval
	for _, one := range laws() {
		if code == allLaws || slices.Contains(binding, one.jurisdiction) {
			ended = append(ended, one.ended...)
		}
	}
	slices.SortFunc(ended, func(a, b Approval) int {
		return cmp.Or(strings.Compare(a.ActiveIngredient, b.ActiveIngredient), strings.Compare(a.Jurisdiction, b.Jurisdiction))
	})
	return ended
}
