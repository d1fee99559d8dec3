package cli

import (
	"context"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

// proof is what the flags of velamen treatment confirm say.
type proof struct {
	*applied
	said       *treatmentv1.Confirmation
	start, end string
	counts     *treatmentv1.InspectionCounts
}

func (a *app) confirmCommand() *cobra.Command {
	p := &proof{applied: newApplied(), said: &treatmentv1.Confirmation{}, counts: &treatmentv1.InspectionCounts{}}
	var cmd *cobra.Command
	cmd = a.command(text{
		use: "confirm PROGRAM/STEP", short: "Record that a step was done, with its proof",
		long: `Records that a step was done: when it really began and ended, by whom, and the
proof that the step asks for (velamen treatment step show names it).

` + treatmentsFileHelp + `
A confirmation that breaks a rule is refused, and says which rule and from when it
would pass. Where a rule allows it a manager may go against it, and answers for it,
with --override RULE=REASON; never against the label. On bad coverage repeat the
command with the same --request-id: the step is confirmed once. ` + Caution,
		example: `  velamen treatment confirm p-1/isolate-1 \
    --start "2026-03-01 08:00" --end "2026-03-01 09:00" --bench h2/q1
  velamen treatment confirm p-1/cut-back-1 \
    --start "2026-03-01 09:00" --end "2026-03-01 11:00" --cut-face clean --disinfectant "70 % alcohol, wiped" --binned
  velamen treatment confirm p-1/systemic-1 \
    --start "2026-03-02 07:00" --end "2026-03-02 08:10" --by wandile --house h1 --area 40m2 --mix 20L \
    --product topspray=24g@bag-7 --leftover 0.5L --temperature 22Cel --humidity 80% --open-bloom no --sunlit no --wet-foliage no
  velamen treatment confirm p-1/contact-1 \
    --start "2026-03-09 07:00" --end "2026-03-09 08:10" --house h1 --area 900ft2 --mix 5gal --product mancozeb-800=1.2oz \
    --override rotation-return="no other product is registered"
  velamen treatment confirm p-1/inspection-1 \
    --start 2026-03-16T08:00:00+02:00 --end 2026-03-16T09:30:00+02:00 --sampled 240 --affected 0`,
	}, func(ctx context.Context, args []string) error {
		return a.confirm(ctx, args[0], p, cmd.Flags())
	})
	p.flags(cmd)
	return needs(cmd, "start", "end")
}

func (p *proof) flags(cmd *cobra.Command) {
	flags := cmd.Flags()
	flags.StringVar(&p.start, "start", "", `when the work began, as in "2026-03-01 10:00" in the nursery's zone, or with its offset`)
	flags.StringVar(&p.end, "end", "", "when the work ended")
	flags.StringVar(&p.said.Performer, "by", "", "who did it (default: you)")
	flags.StringVar(&p.said.Supervisor, "supervisor", "", "certified person who supervised who applied it (default: nobody)")
	flags.StringVar(&p.said.Note, "note", "", "anything else")
	p.applied.flags(cmd)
	eachFlag(flags, &p.said.Overrides, parseOverride, "rule=reason", "override", "rule to go against, and why; managers and owners only")

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
		s.verdicts(response.GetVerdicts(), request.GetConfirmation().GetOverrides())
		if response.GetRelease() != nil {
			s.line("")
			s.assessment(response.GetRelease())
			s.line("")
			s.line("%s", response.GetRelease().GetCaution())
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
	said.Conditions = conditionsSaid(p.conditions)
	if said.Treatments, err = p.treatments(a); err != nil {
		return nil, err
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
	if said.Supervisor, err = a.optionalName(what("supervisor"), said.GetSupervisor(), "people"); err != nil {
		return err
	}
	if said.Bench, err = a.optionalName(what("bench"), said.GetBench(), "houses", "benches"); err != nil {
		return err
	}
	if said.Photos, err = a.names(what("photo"), said.GetPhotos(), "inspections", "photos"); err != nil {
		return err
	}
	return a.nameTreatments(what, said.GetTreatments())
}
