package products

import (
	"bytes"
	_ "embed"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"sync"

	"go.yaml.in/yaml/v3"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
)

// ActiveIngredient is what works in a product.
type ActiveIngredient struct {
	// ID is the common name in lower case with hyphens, for example
	// "thiophanate-methyl".
	ID string
	// DisplayName is the common name.
	DisplayName string
	// FRACCode is the resistance group, for example "1" or "M03".
	FRACCode string
	// Mobility is how it moves in the plant.
	Mobility productsv1.Mobility
	// WorksOn are the classes of disorder that it works on.
	WorksOn []diagnosisv1.DisorderClass
	// Source is where the facts come from.
	Source string
	// CASNumber is its number in the CAS registry; empty for organisms and mixtures
	// without one.
	CASNumber string
	// ResistanceRisk is how readily a pathogen becomes resistant to its group.
	ResistanceRisk productsv1.ResistanceRisk
	// Aliases are other names of the same substance.
	Aliases []string
}

//go:embed catalog/active-ingredients.yaml
var catalogFile []byte

// catalog is the embedded catalog, by id. The file is part of the binary and a
// test reads it, so a fault in it is a broken build.
var catalog = sync.OnceValue(func() []ActiveIngredient {
	actives, err := parseCatalog(catalogFile)
	if err != nil {
		panic(err)
	}
	return actives
})

// ActiveIngredients returns the whole catalog, by id.
func ActiveIngredients() []ActiveIngredient { return slices.Clone(catalog()) }

// ActiveIngredientByID returns one active ingredient of the catalog.
func ActiveIngredientByID(id string) (ActiveIngredient, bool) {
	i, found := slices.BinarySearchFunc(catalog(), id, func(a ActiveIngredient, id string) int {
		return strings.Compare(a.ID, id)
	})
	if !found {
		return ActiveIngredient{}, false
	}
	return catalog()[i], true
}

// catalogRow is an active ingredient as the file writes it.
type catalogRow struct {
	ID          string   `yaml:"id"`
	DisplayName string   `yaml:"display_name"`
	FRACCode    string   `yaml:"frac_code"`
	Mobility    string   `yaml:"mobility"`
	WorksOn     []string `yaml:"works_on"`
	Source      string   `yaml:"source"`
	CASNumber   string   `yaml:"cas_number"`
	Risk        string   `yaml:"resistance_risk"`
	Aliases     []string `yaml:"aliases"`
}

var activeID = regexp.MustCompile(`^[a-z][a-z0-9-]{0,58}[a-z0-9]$`)

// parseCatalog reads a catalog and refuses one with an unknown field or value, a
// missing fact, or rows that are not in the order of their ids.
func parseCatalog(file []byte) ([]ActiveIngredient, error) {
	decoder := yaml.NewDecoder(bytes.NewReader(file))
	decoder.KnownFields(true)
	var rows []catalogRow
	if err := decoder.Decode(&rows); err != nil {
		return nil, fmt.Errorf("catalog of active ingredients: %w", err)
	}
	actives := make([]ActiveIngredient, 0, len(rows))
	names := map[string]string{}
	for i, row := range rows {
		active, err := row.active()
		if err != nil {
			return nil, fmt.Errorf("active ingredient %d (%q): %w", i+1, row.ID, err)
		}
		if i > 0 && active.ID <= actives[i-1].ID {
			return nil, fmt.Errorf("active ingredient %q must come before %q", active.ID, actives[i-1].ID)
		}
		for name := range active.normalNames() {
			if other, taken := names[name]; taken {
				return nil, fmt.Errorf("%q means %s and %s", name, other, active.ID)
			}
			names[name] = active.ID
		}
		actives = append(actives, active)
	}
	return actives, nil
}

func (row catalogRow) active() (ActiveIngredient, error) {
	if !activeID.MatchString(row.ID) {
		return ActiveIngredient{}, fmt.Errorf("id must be a common name in lower case with hyphens")
	}
	if row.DisplayName == "" || row.Source == "" {
		return ActiveIngredient{}, fmt.Errorf("display_name and source must be given")
	}
	code, err := NormalFRACCode(row.FRACCode)
	if err != nil {
		return ActiveIngredient{}, fmt.Errorf("frac_code: %w", err)
	}
	if row.CASNumber != "" {
		if err := checkCAS(row.CASNumber); err != nil {
			return ActiveIngredient{}, fmt.Errorf("cas_number: %w", err)
		}
	}
	risk := productsv1.ResistanceRisk(productsv1.ResistanceRisk_value["RESISTANCE_RISK_"+row.Risk])
	if risk == productsv1.ResistanceRisk_RESISTANCE_RISK_UNSPECIFIED {
		return ActiveIngredient{}, fmt.Errorf("resistance_risk %q is not one of the contract's", row.Risk)
	}
	mobility := productsv1.Mobility(productsv1.Mobility_value["MOBILITY_"+row.Mobility])
	if mobility == productsv1.Mobility_MOBILITY_UNSPECIFIED {
		return ActiveIngredient{}, fmt.Errorf("mobility %q is not SYSTEMIC, LOCAL or CONTACT", row.Mobility)
	}
	if len(row.WorksOn) == 0 {
		return ActiveIngredient{}, fmt.Errorf("works_on must name a class of disorder")
	}
	classes := make([]diagnosisv1.DisorderClass, len(row.WorksOn))
	for i, text := range row.WorksOn {
		class, err := parseClass(text)
		if err != nil {
			return ActiveIngredient{}, fmt.Errorf("works_on: %w", err)
		}
		classes[i] = class
	}
	return ActiveIngredient{
		ID: row.ID, DisplayName: row.DisplayName, FRACCode: code,
		Mobility: mobility, WorksOn: classes, Source: row.Source,
		CASNumber: row.CASNumber, ResistanceRisk: risk, Aliases: row.Aliases,
	}, nil
}

// casForm is a number of the CAS registry: two to seven digits, two, and the check
// digit.
var casForm = regexp.MustCompile(`^[1-9][0-9]{1,6}-[0-9]{2}-[0-9]$`)

// checkCAS holds a CAS number to its check digit: the digits before it, from the
// right, times 1, 2, 3 and so on, added up, modulo 10 (CAS, "Check Digit
// Verification of CAS Registry Numbers", from memory).
func checkCAS(number string) error {
	if !casForm.MatchString(number) {
		return fmt.Errorf("%q is not a CAS number such as 133-06-2", number)
	}
	digits := strings.ReplaceAll(number, "-", "")
	last := len(digits) - 1
	sum := 0
	for i := range last {
		sum += (last - i) * int(digits[i]-'0')
	}
	if sum%10 != int(digits[last]-'0') {
		return fmt.Errorf("the check digit of %s should be %d", number, sum%10)
	}
	return nil
}
