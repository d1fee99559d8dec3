package cli

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

// proof is what the flags of velamen treatment confirm say.
type proof struct {
	said           *treatmentv1.Confirmation
	start, end     string
	treatment      *treatmentv1.HouseTreatment
	treatmentsFile string
	counts         *treatmentv1.InspectionCounts
	conditions     *treatmentv1.Conditions
}

func (a *app) confirmCommand() *cobra.Command {
	p := &proof{
		said: &treatmentv1.Confirmation{}, treatment: &treatmentv1.HouseTreatment{},
		counts: &treatmentv1.InspectionCounts{}, conditions: &treatmentv1.Conditions{},
	}
	var cmd *cobra.Command
	cmd = a.command(text{
		use: "confirm PROGRAM/STEP", short: "Record that a step was done, with its proof",
		long: `Records that a step was done: when it really began and ended, by whom, and the
proof that the step asks for (velamen treatment step show names it).

What was applied in one house is said with --house, --area, --mix and --product;
for several houses --treatments-file holds a JSON list of the same:

  [{"house": "h1", "area": {"amount": "40", "unit": "m2"}, "mix_volume": {"amount": "20", "unit": "L"},
    "products": [{"product": "topspray", "amount": {"amount": "24", "unit": "g"}}]}]

A confirmation that breaks a rule is refused, and says which rule and from when it
would pass. On bad coverage repeat the command with the same --request-id: the
step is confirmed once. ` + Caution,
		example: `  velamen treatment confirm p-1/isolate-1 \
    --start "2026-03-01 08:00" --end "2026-03-01 09:00" --bench h2/q1
  velamen treatment confirm p-1/cut-back-1 \
    --start "2026-03-01 09:00" --end "2026-03-01 11:00" --cut-face clean --disinfectant "70 % alcohol, wiped" --binned
  velamen treatment confirm p-1/systemic-1 \
    --start "2026-03-02 07:00" --end "2026-03-02 08:10" --by wandile --house h1 --area 40m2 --mix 20L \
    --product topspray=24g --leftover 0.5L --temperature 22Cel --humidity 80%
  velamen treatment confirm p-1/inspection-1 \
    --start 2026-03-16T08:00:00+02:00 --end 2026-03-16T09:30:00+02:00 --sampled 240 --affected 0`,
	}, func(ctx context.Context, args []string) error {
		return a.confirm(ctx, args[0], p, cmd.Flags())
	})
	p.flags(cmd.Flags())
	for _, flag := range []string{"house", "area", "mix", "product", "leftover"} {
		cmd.MarkFlagsMutuallyExclusive("treatments-file", flag)
	}
	cmd.MarkFlagsRequiredTogether("house", "area", "mix", "product")
	return needs(cmd, "start", "end")
}

func (p *proof) flags(flags *pflag.FlagSet) {
	flags.StringVar(&p.start, "start", "", `when the work began, as in "2026-03-01 10:00" in the nursery's zone, or with its offset`)
	flags.StringVar(&p.end, "end", "", "when the work ended")
	flags.StringVar(&p.said.Performer, "by", "", "who did it (default: you)")
	flags.StringVar(&p.said.Note, "note", "", "anything else")

	flags.StringVar(&p.treatment.House, "house", "", "house that was treated")
	quantityFlag(flags, &p.treatment.Area, "area", "area treated, as in 40m2")
	quantityFlag(flags, &p.treatment.MixVolume, "mix", "volume of mix applied, as in 20L")
	productUsesFlag(flags, &p.treatment.Products, "product", "product in that mix, as in topspray=24g (may be repeated)")
	quantityFlag(flags, &p.treatment.Leftover, "leftover", "mix left over, as in 0.5L")
	flags.StringVar(&p.treatmentsFile, "treatments-file", "", `JSON file of what was applied in several houses ("-": standard input)`)
	quantityFlag(flags, &p.conditions.Temperature, "temperature", "air temperature, as in 22Cel")
	quantityFlag(flags, &p.conditions.Humidity, "humidity", "relative humidity, as in 80%")

	flags.Int64Var(&p.counts.PlantsSampled, "sampled", 0, "plants looked at")
	flags.Int64Var(&p.counts.PlantsAffected, "affected", 0, "plants with signs; 0 is clean")
	enumFlag(flags, &p.said.CutFace, "cut-face", "what the cut showed")
	flags.StringVar(&p.said.Disinfectant, "disinfectant", "", `agent and how, as in "70 % alcohol, wiped"`)
	flags.BoolVar(&p.said.RemovedPartsBinned, "binned", false, "removed parts went to the bin, never the compost")
	flags.StringVar(&p.said.Bench, "bench", "", "isolation HOUSE/BENCH that the lots stand on")
	flags.StringSliceVar(&p.said.Photos, "photo", nil, "photo taken in an inspection, INSPECTION/PHOTO (may be repeated)")
	enumFlag(flags, &p.said.LabResult, "lab", "what the laboratory found")
}

func (a *app) confirm(ctx context.Context, step string, p *proof, flags *pflag.FlagSet) (err error) {
	request := &treatmentv1.ConfirmStepRequest{}
	if request.Name, err = a.name("STEP", step, "programs", "steps"); err != nil {
		return err
	}
	if request.Confirmation, err = a.confirmation(ctx, p, flags); err != nil {
		return err
	}
	if request.RequestId, err = a.change(); err != nil {
		return err
	}
	response, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.ConfirmStep, request)
	if err != nil {
		return err
	}
	return a.showWithCaution(ctx, response, func(s *sheet) {
		s.line("%s is %s.", shortName(response.GetStep().GetName()), stepState(response.GetStep()))
		if response.GetApplication() != "" {
			s.line("The application is on record as %s.", shortName(response.GetApplication()))
		}
		s.line("")
		s.program(response.GetProgram())
	})
}

// confirmation puts together what the flags say; what was not said is absent.
func (a *app) confirmation(ctx context.Context, p *proof, flags *pflag.FlagSet) (_ *treatmentv1.Confirmation, err error) {
	said := p.said
	if said.StartTime, err = a.moment(ctx, "--start", p.start); err != nil {
		return nil, err
	}
	if said.EndTime, err = a.moment(ctx, "--end", p.end); err != nil {
		return nil, err
	}
	if flags.Changed("sampled") || flags.Changed("affected") {
		said.Inspection = p.counts
	}
	if flags.Changed("temperature") || flags.Changed("humidity") {
		said.Conditions = p.conditions
	}
	if flags.Changed("house") {
		said.Treatments = []*treatmentv1.HouseTreatment{p.treatment}
	}
	if p.treatmentsFile != "" {
		read := &treatmentv1.Confirmation{}
		if err := a.readList("--treatments-file", p.treatmentsFile, "treatments", read); err != nil {
			return nil, err
		}
		said.Treatments = read.GetTreatments()
	}
	return said, a.nameAll("", said)
}

// nameAll makes whole names of the short ones in a confirmation. Where says
// what was read, for the error.
func (a *app) nameAll(where string, said *treatmentv1.Confirmation) (err error) {
	if said == nil {
		return usagef("%s confirmation is missing", where)
	}
	what := func(name string) string {
		if where == "" {
			return "--" + name
		}
		return where + " " + name
	}
	if said.Performer, err = a.optionalName(what("by"), said.GetPerformer(), "people"); err != nil {
		return err
	}
	if said.Bench, err = a.optionalName(what("bench"), said.GetBench(), "houses", "benches"); err != nil {
		return err
	}
	if said.Photos, err = a.names(what("photo"), said.GetPhotos(), "inspections", "photos"); err != nil {
		return err
	}
	for i, treatment := range said.GetTreatments() {
		at := func(name string) string { return what(name) }
		if len(said.GetTreatments()) > 1 {
			at = func(name string) string { return fmt.Sprintf("%s of treatment %d", what(name), i+1) }
		}
		if treatment.House, err = a.name(at("house"), treatment.GetHouse(), "houses"); err != nil {
			return err
		}
		for _, use := range treatment.GetProducts() {
			if use.Product, err = a.name(at("product"), use.GetProduct(), "products"); err != nil {
				return err
			}
		}
	}
	return nil
}
