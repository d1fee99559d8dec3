package cli

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	typev1 "velamen/gen/velamen/type/v1"
)

func (a *app) risk() *cobra.Command {
	request := &diagnosisv1.AssessInfectionRiskRequest{}
	var house string
	var models, watered []string
	cmd := a.command(text{
		use: "risk", short: "Say when plants could have been infected",
		long: `Runs infection models over what the loggers recorded and says for each house and
pathogen on which days infection was possible, when first signs would show, and what
to change in light, air, watering and warmth. A model says what was possible, not
what happened: look at the plants. ` + Caution,
		example: `  velamen diagnosis risk --house h1 --from 2026-03-01
  velamen diagnosis risk --model grey-mould-index --wetness dew-point-depression --watered "2026-03-01 17:30" --dry-off 3h`,
	}, func(ctx context.Context, _ []string) (err error) {
		if request.Name, err = a.name("--house", house, "houses"); err != nil {
			return err
		}
		if request.Models, err = a.names("--model", models, "infectionModels"); err != nil {
			return err
		}
		if request.WettingTimes, err = a.moments(ctx, "--watered", watered); err != nil {
			return err
		}
		risk, err := call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.AssessInfectionRisk, request)
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, risk, func(s *sheet) { s.risk(risk) })
	})
	flags := cmd.Flags()
	flags.StringVar(&house, "house", "-", `the HOUSE, "-" for all that have a logger`)
	daysFlags(cmd, &request.StartDate, &request.EndDate)
	flags.StringSliceVar(&models, "model", nil, "infection model, from velamen diagnosis model list (may be repeated; default: all)")
	enumFlag(flags, &request.WetnessMethod, "wetness", "how wet leaves are told (default: the sensor where there is one, else the threshold)")
	flags.StringArrayVar(&watered, "watered", nil, `when leaves were watered or sprayed, as in "2026-03-01 10:00" (may be repeated)`)
	quantityFlag(flags, &request.DryOff, "dry-off", "how long watered leaves stay wet, as in 3h (default: 2h)")
	return cmd
}

// moments is moment for a flag that may be repeated.
func (a *app) moments(ctx context.Context, flag string, typed []string) ([]*timestamppb.Timestamp, error) {
	var all []*timestamppb.Timestamp
	for _, one := range typed {
		moment, err := a.moment(ctx, flag, one)
		if err != nil {
			return nil, err
		}
		all = append(all, moment)
	}
	return all, nil
}

func (s *sheet) risk(risk *diagnosisv1.InfectionRisk) {
	curves := risk.GetCurves()
	for begin := 0; begin < len(curves); {
		end := begin + 1
		for end < len(curves) && curves[end].GetHouse() == curves[begin].GetHouse() {
			end++
		}
		s.houseRisk(curves[begin:end])
		begin = end
	}
	if len(curves) > 0 {
		s.figures(curves)
		s.line("Wet leaves by: %s.", risk.GetWetnessMethod())
	}
	s.notes(risk.GetNotes())
	s.line("")
	s.line("%s", risk.GetCaution())
}

// houseRisk draws the curves of one house and, once for all of them, what to change.
func (s *sheet) houseRisk(curves []*diagnosisv1.RiskCurve) {
	var advice []string
	for _, curve := range curves {
		s.curve(curve)
		s.line("")
		for _, one := range curve.GetAdvice() {
			if !slices.Contains(advice, one) {
				advice = append(advice, one)
			}
		}
	}
	if len(advice) == 0 {
		return
	}
	s.line("House %s, what to change:", shortName(curves[0].GetHouse()))
	for _, one := range advice {
		s.line("- %s", printable(one))
	}
	s.line("")
}

// botrytisIndex is the equation whose risk is a probability; that of others is a share
// of the wet hours needed.
const botrytisIndex = "botrytis-index"

// figures says what the risk and the level of each kind of model are, and where models
// speak of the same disorder.
func (s *sheet) figures(curves []*diagnosisv1.RiskCurve) {
	isIndex := func(curve *diagnosisv1.RiskCurve) bool { return curve.GetModel().GetEquation() == botrytisIndex }
	indices := slices.ContainsFunc(curves, isIndex)
	if !indices || slices.ContainsFunc(curves, func(curve *diagnosisv1.RiskCurve) bool { return !isIndex(curve) }) {
		s.line("OF HOURS NEEDED is no probability: it is the share of the wet hours that infection needs which a wet spell had reached. " +
			"LEVEL: none at 0 %%, low below 50 %%, moderate below 100 %%, high at 100 %%, when infection was possible.")
	}
	if indices {
		s.line("PROBABILITY is that of an index for grey mould, measured on grape. " +
			"LEVEL: the classes of the index, none up to 50 %%, low below 62 %%, moderate below 73 %%, high from there on.")
	}
	s.rivals(curves)
}

// rivals says which disorders have more than one model.
func (s *sheet) rivals(curves []*diagnosisv1.RiskCurve) {
	models, unverified := map[string][]string{}, map[string]int{}
	for _, curve := range curves {
		disorder, model := curve.GetModel().GetDisorder(), shortName(curve.GetModel().GetName())
		if disorder == "" || slices.Contains(models[disorder], model) {
			continue
		}
		models[disorder] = append(models[disorder], model)
		if curve.GetUnverified() != "" {
			unverified[disorder]++
		}
	}
	for _, disorder := range slices.Sorted(maps.Keys(models)) {
		all := len(models[disorder])
		if all < 2 {
			continue
		}
		checked := fmt.Sprintf("%d of them are not verified", unverified[disorder])
		if unverified[disorder] == all {
			checked = "none of them is verified"
		}
		s.line("%d models speak of %s (%s): they differ, their figures cannot be compared, and %s. Look at the plants.",
			all, disorder, strings.Join(models[disorder], ", "), checked)
	}
}

func (s *sheet) curve(curve *diagnosisv1.RiskCurve) {
	s.line("House %s: %s (%s)", shortName(curve.GetHouse()), curve.GetModel().GetDisplayName(), curve.GetModel().GetDisorder())
	if curve.GetUnverified() != "" {
		s.line("%s", printable(curve.GetUnverified()))
	}
	figure := "OF HOURS NEEDED"
	if curve.GetModel().GetEquation() == botrytisIndex {
		figure = "PROBABILITY"
	}
	s.row("DAY", figure, "LEVEL", "WET LEAVES", "WHILE WET", "KNOWN")
	for _, day := range curve.GetDays() {
		s.row(day.GetDate(), day.GetRiskPercent()+" %", day.GetLevel(), amount(day.GetLeafWetness()), amount(day.GetWetTemperature()), amount(day.GetCovered()))
	}
	if len(curve.GetEvents()) > 0 {
		s.line("")
		s.row("INFECTION POSSIBLE", "WET FROM", "UNTIL", "WET", "NEEDED", "AT", "FIRST SIGNS")
		for _, e := range curve.GetEvents() {
			signs := strings.TrimSuffix(e.GetSignsFromDate()+" to "+e.GetSignsUntilDate(), " to ")
			s.row(s.when(e.GetInfectionTime()), s.when(e.GetStartTime()), s.when(e.GetEndTime()), amount(e.GetLeafWetness()),
				amount(e.GetNeeded()), amount(e.GetTemperature()), signs)
		}
	}
}

func (a *app) modelCommand() *cobra.Command {
	return group("model", "Infection models and their parameters",
		"The models that velamen diagnosis risk runs. A nursery may set parameters of its own; they count as unverified.",
		a.modelList(), a.modelSet())
}

func (a *app) modelList() *cobra.Command {
	return a.command(text{
		use: "list", short: "List the infection models with their parameters",
		long:    "Lists the models as this nursery uses them, with where their parameters come from and whether those were checked.",
		example: "  velamen diagnosis model list",
	}, func(ctx context.Context, _ []string) error {
		parent, err := a.parent()
		if err != nil {
			return err
		}
		models, err := call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.ListInfectionModels,
			&diagnosisv1.ListInfectionModelsRequest{Parent: parent})
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, models, func(s *sheet) {
			s.row("MODEL", "DISORDER", "TEMPERATURE", "WET HOURS", "DRY HOURS", "CHECKED", "SOURCE")
			for _, m := range models.GetInfectionModels() {
				p := m.GetParameters()
				s.row(shortName(m.GetName()), m.GetDisorder(), together(p.GetTemperatureMin(), p.GetTemperatureOptimum(), p.GetTemperatureMax()),
					together(p.GetWetnessMin(), p.GetWetnessMax()), together(p.GetDryInterruption()), checkedWord(m), m.GetSource())
			}
		})
	})
}

// together joins amounts of one unit, as in 7, 26, 35 Cel.
func together(amounts ...*typev1.Quantity) string {
	var texts []string
	unit := ""
	for _, q := range amounts {
		if q != nil {
			texts, unit = append(texts, q.GetAmount()), q.GetUnit()
		}
	}
	return strings.TrimSpace(strings.Join(texts, ", ") + " " + unit)
}

func checkedWord(m *diagnosisv1.InfectionModel) string {
	switch {
	case m.GetOwn():
		return "own, no"
	case m.GetVerified():
		return "yes"
	default:
		return "NO"
	}
}

func (a *app) modelSet() *cobra.Command {
	request := &diagnosisv1.SetModelParametersRequest{}
	parameters := &diagnosisv1.WetnessParameters{}
	var shipped bool
	cmd := a.command(text{
		use: "set MODEL", short: "Use parameters of your own for a model, or the shipped ones again",
		long: `Sets the parameters of the generic infection model for this nursery, all of them
together, with where they come from. Every answer that uses them says that they are
unverified. --shipped goes back. Advisers, managers and owners only.`,
		example: `  velamen diagnosis model set anthracnose-wetness --temperature-min 7Cel --temperature-optimum 26Cel --temperature-max 35Cel --wetness-min 6h --wetness-max 36h --dry-interruption 4h --source "own trial of 2025"
  velamen diagnosis model set anthracnose-wetness --shipped`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Name, err = a.name("MODEL", args[0], "infectionModels"); err != nil {
			return err
		}
		if !shipped {
			request.Parameters = parameters
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		model, err := call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.SetModelParameters, request)
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, model, func(s *sheet) { s.model(model) })
	})
	flags := cmd.Flags()
	quantityFlag(flags, &parameters.TemperatureMin, "temperature-min", "lowest temperature of infection, as in 7Cel")
	quantityFlag(flags, &parameters.TemperatureOptimum, "temperature-optimum", "best temperature, as in 26Cel")
	quantityFlag(flags, &parameters.TemperatureMax, "temperature-max", "highest temperature, as in 35Cel")
	quantityFlag(flags, &parameters.WetnessMin, "wetness-min", "wet hours needed at the best temperature, as in 6h")
	quantityFlag(flags, &parameters.WetnessMax, "wetness-max", "wet hours needed at most, as in 36h")
	quantityFlag(flags, &parameters.DryInterruption, "dry-interruption", "dry hours that end a wet spell, as in 4h")
	flags.StringVar(&request.Source, "source", "", "where the parameters come from")
	flags.BoolVar(&shipped, "shipped", false, "go back to the shipped parameters")
	etagFlag(cmd, &request.Etag)
	all := []string{"temperature-min", "temperature-optimum", "temperature-max", "wetness-min", "wetness-max", "dry-interruption", "source"}
	cmd.MarkFlagsRequiredTogether(all...)
	cmd.MarkFlagsOneRequired("source", "shipped")
	cmd.MarkFlagsMutuallyExclusive("source", "shipped")
	return cmd
}

func (s *sheet) model(m *diagnosisv1.InfectionModel) {
	p := m.GetParameters()
	s.fact("Model", shortName(m.GetName()))
	s.fact("Of", m.GetDisplayName())
	s.fact("Disorder", m.GetDisorder())
	s.fact("Lowest, best, highest temperature", together(p.GetTemperatureMin(), p.GetTemperatureOptimum(), p.GetTemperatureMax()))
	s.fact("Wet hours, least and most", together(p.GetWetnessMin(), p.GetWetnessMax()))
	s.fact("Dry hours that end a wet spell", together(p.GetDryInterruption()))
	s.fact("Checked", checkedWord(m))
	s.fact("Source", m.GetSource())
	s.fact("Set by", shortName(m.GetSetter()))
	s.fact("Set", s.when(m.GetSetTime()))
	s.fact("Etag", m.GetEtag())
}
