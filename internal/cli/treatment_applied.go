package cli

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"google.golang.org/protobuf/proto"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

// treatmentsFileHelp says how several houses are entered.
const treatmentsFileHelp = `What is applied in one house is said with --house, --area, --mix and --product;
for several houses --treatments-file holds a JSON list of the same:

  [{"house": "h1", "area": {"amount": "40", "unit": "m2"}, "mix_volume": {"amount": "20", "unit": "L"},
    "products": [{"product": "topspray", "amount": {"amount": "24", "unit": "g"}, "container": "bag-7"}]}]

Without a container the open ones of the product that expire first are taken from.
US units are taken too, as in 8floz, 0.5lb, 2gal or 900ft2.
`

// applied is what flags say about chemical that was applied, or would be: in one
// house, or by a file in several, and in which weather.
type applied struct {
	treatment  *treatmentv1.HouseTreatment
	file       string
	conditions *treatmentv1.Conditions
}

func newApplied() *applied {
	return &applied{treatment: &treatmentv1.HouseTreatment{}, conditions: &treatmentv1.Conditions{}}
}

func (w *applied) flags(cmd *cobra.Command) {
	flags := cmd.Flags()
	flags.StringVar(&w.treatment.House, "house", "", "house that is treated")
	quantityFlag(flags, &w.treatment.Area, "area", "area treated, as in 40m2 or 900ft2")
	quantityFlag(flags, &w.treatment.MixVolume, "mix", "volume of mix applied, as in 20L or 5gal")
	eachFlag(flags, &w.treatment.Products, parseProductUse, "product=amount", "product",
		"product in that mix, as in topspray=24g, or topspray=24g@bag-7 for the container it is taken from")
	quantityFlag(flags, &w.treatment.Leftover, "leftover", "mix left over, as in 0.5L")
	flags.Int64Var(&w.treatment.Plants, "plants", 0, "pots or plants treated, where a label's rate is per pot or plant")
	flags.BoolVar(&w.treatment.Chemigation, "chemigation", false, "it goes out through the irrigation")
	enumFlag(flags, &w.treatment.Form, "form", "how a spray hangs in the air")
	enumFlag(flags, &w.treatment.Droplets, "droplets", "droplets of a spray; the finest are taken when nobody says it")
	quantityFlag(flags, &w.treatment.Height, "height", "height of the nozzle above the medium, as in 30cm")
	enumFlag(flags, &w.treatment.Airing, "airing", "what airs the house when the work ends, and still runs")
	flags.StringVar(&w.treatment.GrowthStage, "growth-stage", "", "growth stage of the plants treated on the BBCH scale, as in 61")
	flags.StringVar(&w.file, "treatments-file", "", `JSON file of what is applied in several houses ("-": standard input)`)
	conditionsFlags(flags, w.conditions)
	for _, flag := range []string{"house", "area", "mix", "product", "leftover", "plants", "chemigation", "form", "droplets", "height", "airing", "growth-stage"} {
		cmd.MarkFlagsMutuallyExclusive("treatments-file", flag)
	}
	cmd.MarkFlagsRequiredTogether("house", "area", "mix", "product")
}

func conditionsFlags(flags *pflag.FlagSet, conditions *treatmentv1.Conditions) {
	quantityFlag(flags, &conditions.Temperature, "temperature", "air temperature, as in 22Cel")
	quantityFlag(flags, &conditions.Humidity, "humidity", "relative humidity, as in 80%")
	yesNoFlag(flags, &conditions.OpenBloom, "open-bloom", "whether plants treated are in open bloom")
	yesNoFlag(flags, &conditions.Sunlit, "sunlit", "whether the sun shines on the leaves")
	yesNoFlag(flags, &conditions.WetFoliage, "wet-foliage", "whether the leaves are wet before the work")
}

// conditionsSaid is nil when nothing was said.
func conditionsSaid(conditions *treatmentv1.Conditions) *treatmentv1.Conditions {
	if proto.Size(conditions) == 0 {
		return nil
	}
	return conditions
}

// treatments returns what the flags or the file say, with names as they were typed.
func (w *applied) treatments(a *app) ([]*treatmentv1.HouseTreatment, error) {
	read := &treatmentv1.Confirmation{}
	if proto.Size(w.treatment) > 0 {
		read.Treatments = []*treatmentv1.HouseTreatment{w.treatment}
	}
	if w.file != "" {
		if err := a.readList("--treatments-file", w.file, "treatments", read); err != nil {
			return nil, err
		}
	}
	return read.GetTreatments(), nil
}

// flagName is how an error calls what was given to a flag.
func flagName(name string) string { return "--" + name }

// nameTreatments makes whole names of the short ones in treatments. What says
// where something was read, for the error.
func (a *app) nameTreatments(what func(name string) string, treatments []*treatmentv1.HouseTreatment) (err error) {
	for i, treatment := range treatments {
		at := what
		if len(treatments) > 1 {
			at = func(name string) string { return fmt.Sprintf("%s of treatment %d", what(name), i+1) }
		}
		if treatment.House, err = a.name(at("house"), treatment.GetHouse(), "houses"); err != nil {
			return err
		}
		for _, use := range treatment.GetProducts() {
			if use.Product, err = a.name(at("product"), use.GetProduct(), "products"); err != nil {
				return err
			}
			if use.Container, err = a.containerOf(at("product"), use); err != nil {
				return err
			}
		}
	}
	return nil
}

// containerOf names the container of a use; its id alone is one of the product.
func (a *app) containerOf(what string, use *treatmentv1.ProductUse) (string, error) {
	container := use.GetContainer()
	if container == "" {
		return "", nil
	}
	if !strings.Contains(container, "/") {
		container = use.GetProduct() + "/containers/" + container
	}
	return a.name(what, container, "products", "containers")
}

// weather writes the conditions during work; what nobody said is left out.
func weather(conditions *treatmentv1.Conditions) string {
	if conditions == nil {
		return ""
	}
	var parts []string
	if q := conditions.GetTemperature(); q != nil {
		parts = append(parts, amount(q))
	}
	if q := conditions.GetHumidity(); q != nil {
		parts = append(parts, amount(q)+" relative humidity")
	}
	for _, about := range []struct {
		said, answer bool
		what         string
	}{
		{conditions.OpenBloom != nil, conditions.GetOpenBloom(), "open bloom"},
		{conditions.Sunlit != nil, conditions.GetSunlit(), "sun on the leaves"},
		{conditions.WetFoliage != nil, conditions.GetWetFoliage(), "wet leaves"},
	} {
		switch {
		case !about.said:
		case about.answer:
			parts = append(parts, about.what)
		default:
			parts = append(parts, "no "+about.what)
		}
	}
	return strings.Join(parts, ", ")
}
