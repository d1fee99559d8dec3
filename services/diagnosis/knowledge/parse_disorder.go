package knowledge

import (
	"fmt"
	"io/fs"
	"slices"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
)

type disorderRow struct {
	ID          string            `yaml:"id"`
	DisplayName string            `yaml:"display_name"`
	Class       string            `yaml:"class"`
	Causes      []string          `yaml:"causes"`
	Plants      map[string]string `yaml:"plants"`
	Genera      []string          `yaml:"genera"`
	Signs       []struct {
		Sign   string   `yaml:"sign"`
		Organs []string `yaml:"organs"`
		Chance string   `yaml:"chance"`
		Source []string `yaml:"source"`
	} `yaml:"signs"`
	LookAlikes []string `yaml:"look_alikes"`
	FavouredBy struct {
		Temperature []float64 `yaml:"temperature_c"`
		Moisture    Moisture  `yaml:"moisture"`
		Light       string    `yaml:"light"`
		Source      []string  `yaml:"source"`
	} `yaml:"favoured_by"`
	Latent *struct {
		MinDays int      `yaml:"min_days"`
		MaxDays int      `yaml:"max_days"`
		Source  []string `yaml:"source"`
	} `yaml:"latent"`
	Contagion struct {
		Degree string   `yaml:"degree"`
		Routes []string `yaml:"routes"`
		Source []string `yaml:"source"`
	} `yaml:"contagion"`
	Fungicide struct {
		Works  string   `yaml:"works"`
		Note   string   `yaml:"note"`
		Source []string `yaml:"source"`
	} `yaml:"fungicide"`
	Confirmation       string   `yaml:"confirmation"`
	ConfirmationSource []string `yaml:"confirmation_source"`
	Hygiene            string   `yaml:"hygiene"`
	Disposal           string   `yaml:"disposal"`
	Environment        []string `yaml:"environment"`
	HandlingSource     []string `yaml:"handling_source"`
}

func (r *reader) disorders() {
	names, err := fs.Glob(r.folder, "disorders/*.yaml")
	if err != nil {
		r.fault("disorders: %w", err)
	}
	var rows []disorderRow
	for _, name := range names {
		var file struct {
			Sources   map[string]sourceRow `yaml:"sources"`
			Disorders []disorderRow        `yaml:"disorders"`
		}
		r.decode(name, &file)
		r.enterSources(file.Sources)
		rows = append(rows, file.Disorders...)
	}
	for i, row := range rows {
		r.enter("disorder", row.ID, r.base.disorders, i)
		r.base.Disorders = append(r.base.Disorders, r.disorder(row))
	}
	if len(rows) == 0 {
		r.fault("there must be disorders")
	}
}

func (r *reader) disorder(row disorderRow) Disorder {
	where := fmt.Sprintf("disorder %q", row.ID)
	d := Disorder{
		ID: row.ID, DisplayName: row.DisplayName, Causes: row.Causes, Genera: row.Genera, LookAlikes: row.LookAlikes,
		Class:        diagnosisv1.DisorderClass(enumOf(diagnosisv1.DisorderClass_value, "DISORDER_CLASS_", row.Class)),
		Confirmation: row.Confirmation, ConfirmationSource: row.ConfirmationSource,
		Hygiene: row.Hygiene, Disposal: row.Disposal, Environment: row.Environment, HandlingSource: row.HandlingSource,
	}
	if d.Class == diagnosisv1.DisorderClass_DISORDER_CLASS_UNSPECIFIED {
		r.fault("%s: the class %q is unknown", where, row.Class)
	}
	if d.DisplayName == "" || d.Confirmation == "" || d.Hygiene == "" || d.Disposal == "" || len(d.Environment) == 0 {
		r.fault("%s: needs a display name, a confirmation, hygiene, disposal and advice on the environment", where)
	}
	if len(d.Causes) == 0 || slices.Contains(d.Causes, "") {
		r.fault("%s: needs causes", where)
	}
	r.checkSource(where+" confirmation", row.ConfirmationSource)
	r.checkSource(where+" handling", row.HandlingSource)
	r.frequencies(where, row, &d)
	r.expectations(where, row, &d)
	r.conditions(where, row, &d)
	r.spread(where, row, &d)
	return d
}

func (r *reader) frequencies(where string, row disorderRow, d *Disorder) {
	for group, word := range row.Plants {
		known := group == AnyGroup || slices.ContainsFunc(r.base.PlantGroups, func(g PlantGroup) bool { return g.ID == group })
		weight, worded := r.weights[word]
		if !known || !worded {
			r.fault("%s plants: %q: %q is no plant group or no word for how common it is", where, group, word)
		}
		d.Plants = append(d.Plants, Frequency{Group: group, Weight: weight, Word: word})
	}
	if len(row.Plants) == 0 {
		r.fault("%s: needs the plants that get it", where)
	}
	for _, group := range r.base.PlantGroups {
		d.mean += d.weightIn(group.ID) / float64(len(r.base.PlantGroups))
	}
	slices.SortFunc(d.Plants, func(a, b Frequency) int {
		if a.Group < b.Group {
			return -1
		}
		return 1
	})
}

func (r *reader) expectations(where string, row disorderRow, d *Disorder) {
	type place struct {
		sign  string
		organ diagnosisv1.Organ
	}
	said := map[place]bool{}
	for _, line := range row.Signs {
		at := fmt.Sprintf("%s sign %q", where, line.Sign)
		sign, known := r.base.Sign(line.Sign)
		if !known {
			r.fault("%s: is not in the vocabulary", at)
			continue
		}
		e := Expectation{
			Sign: line.Sign, Organs: r.organs(at, line.Organs), Chance: r.chance(at, line.Chance), Word: line.Chance, Source: line.Source,
		}
		r.checkSource(at, line.Source)
		on := e.Organs
		if len(on) == 0 {
			on = sign.Organs
		}
		for _, organ := range on {
			if !slices.Contains(sign.Organs, organ) || said[place{sign.ID, organ}] {
				r.fault("%s: is not looked for on that organ, or is said of it twice", at)
			}
			said[place{sign.ID, organ}] = true
		}
		d.Signs = append(d.Signs, e)
	}
	if len(d.Signs) == 0 {
		r.fault("%s: needs signs", where)
	}
}

func (r *reader) conditions(where string, row disorderRow, d *Disorder) {
	f := row.FavouredBy
	d.FavouredBy = Conditions{Moisture: f.Moisture, Light: f.Light, Source: f.Source}
	r.checkSource(where+" favoured_by", f.Source)
	if !slices.Contains([]Moisture{FreeWater, WetLeaves, Humid, HumidNotWet, WetMedium, Dry, AnyMoisture}, f.Moisture) {
		r.fault("%s: the moisture %q is unknown", where, f.Moisture)
	}
	if !slices.Contains([]string{"low", "high", "any"}, f.Light) {
		r.fault("%s: the light must be low, high or any", where)
	}
	switch {
	case len(f.Temperature) == 0:
	case len(f.Temperature) == 2 && f.Temperature[0] < f.Temperature[1]:
		d.FavouredBy.LowestTemperature, d.FavouredBy.HighestTemperature = f.Temperature[0], f.Temperature[1]
	default:
		r.fault("%s: temperature_c must be the lower and the upper bound", where)
	}
}

func (r *reader) spread(where string, row disorderRow, d *Disorder) {
	d.Contagion = Contagion{Degree: diagnosisv1.Contagion(enumOf(diagnosisv1.Contagion_value, "CONTAGION_", row.Contagion.Degree)), Source: row.Contagion.Source}
	r.checkSource(where+" contagion", row.Contagion.Source)
	for _, word := range row.Contagion.Routes {
		route := diagnosisv1.Route(enumOf(diagnosisv1.Route_value, "ROUTE_", word))
		if route == diagnosisv1.Route_ROUTE_UNSPECIFIED || slices.Contains(d.Contagion.Routes, route) {
			r.fault("%s: the route %q is unknown or stands there twice", where, word)
		}
		d.Contagion.Routes = append(d.Contagion.Routes, route)
	}
	spreads := d.Contagion.Degree > diagnosisv1.Contagion_CONTAGION_NONE
	if d.Contagion.Degree == diagnosisv1.Contagion_CONTAGION_UNSPECIFIED || spreads != (len(d.Contagion.Routes) > 0) {
		r.fault("%s: needs a degree of contagion, and routes exactly when it spreads", where)
	}
	d.Fungicide = Fungicide{Works: diagnosisv1.FungicideUse(enumOf(diagnosisv1.FungicideUse_value, "FUNGICIDE_USE_", row.Fungicide.Works)), Note: row.Fungicide.Note, Source: row.Fungicide.Source}
	r.checkSource(where+" fungicide", row.Fungicide.Source)
	if d.Fungicide.Works == diagnosisv1.FungicideUse_FUNGICIDE_USE_UNSPECIFIED {
		r.fault("%s: fungicide works: %q must be yes, partly, oomycete-only or no", where, row.Fungicide.Works)
	}
	if row.Latent == nil {
		if spreads {
			r.fault("%s: spreads and needs a latent time", where)
		}
		return
	}
	r.checkSource(where+" latent", row.Latent.Source)
	if row.Latent.MinDays < 0 || row.Latent.MaxDays < row.Latent.MinDays {
		r.fault("%s: latent days must not be negative, the longest not below the shortest", where)
	}
	d.Latent = &Latent{MinDays: row.Latent.MinDays, MaxDays: row.Latent.MaxDays, Source: row.Latent.Source}
}

func (r *reader) tests() {
	var file struct {
		Sources map[string]sourceRow `yaml:"sources"`
		Tests   []struct {
			ID           string   `yaml:"id"`
			DisplayName  string   `yaml:"display_name"`
			Kind         string   `yaml:"kind"`
			Finds        []string `yaml:"finds"`
			Reads        []string `yaml:"reads"`
			SampleOrgans []string `yaml:"sample_organs"`
			Sensitivity  string   `yaml:"sensitivity"`
			Specificity  string   `yaml:"specificity"`
			Days         int      `yaml:"days"`
			Minutes      int      `yaml:"minutes"`
			Cuts         bool     `yaml:"cuts"`
			Note         string   `yaml:"note"`
			Source       []string `yaml:"source"`
		} `yaml:"tests"`
	}
	r.decode("tests.yaml", &file)
	r.enterSources(file.Sources)
	for i, row := range file.Tests {
		where := fmt.Sprintf("test %q", row.ID)
		r.enter("test", row.ID, r.base.tests, i)
		r.checkSource(where, row.Source)
		test := Test{
			ID: row.ID, DisplayName: row.DisplayName, Finds: row.Finds, Reads: row.Reads, SampleOrgans: r.organs(where, row.SampleOrgans),
			Kind:        diagnosisv1.TestKind(enumOf(diagnosisv1.TestKind_value, "TEST_KIND_", row.Kind)),
			Sensitivity: r.share(where+" sensitivity", row.Sensitivity), Specificity: r.share(where+" specificity", row.Specificity),
			Days: row.Days, Minutes: row.Minutes, Cuts: row.Cuts, Note: row.Note, Source: row.Source,
		}
		if test.DisplayName == "" || test.Kind == 0 || len(test.Finds) == 0 || test.Days < 0 || test.Minutes < 1 {
			r.fault("%s: needs a display name, a kind, what it finds, days and minutes", where)
		}
		if test.Sensitivity+test.Specificity <= 1 {
			r.fault("%s: a test whose sensitivity and specificity sum to 1 or less says nothing", where)
		}
		r.base.Tests = append(r.base.Tests, test)
	}
}

// crossCheck looks at what rows say of each other.
func (r *reader) crossCheck() {
	for _, sign := range r.base.Signs {
		for _, id := range sign.Excludes {
			if _, known := r.base.signs[id]; !known || id == sign.ID {
				r.fault("sign %q excludes %q, which is not in the vocabulary or itself", sign.ID, id)
			}
		}
	}
	for _, d := range r.base.Disorders {
		for _, id := range d.LookAlikes {
			if _, known := r.base.disorders[id]; !known || id == d.ID {
				r.fault("disorder %q: the look-alike %q is unknown or itself", d.ID, id)
			}
		}
		for _, genus := range d.Genera {
			if _, known := r.base.genera[genus]; !known {
				r.fault("disorder %q: the genus %s stands in no plant group", d.ID, genus)
			}
		}
	}
	for _, test := range r.base.Tests {
		for _, id := range test.Finds {
			if _, known := r.base.disorders[id]; !known {
				r.fault("test %q finds %q, which is no disorder", test.ID, id)
			}
		}
		for _, id := range test.Reads {
			if _, known := r.base.signs[id]; !known {
				r.fault("test %q reads %q, which is not in the vocabulary", test.ID, id)
			}
		}
	}
}
