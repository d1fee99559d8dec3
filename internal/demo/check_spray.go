package demo

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	productsv1 "velamen/gen/velamen/products/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/quantity"
)

// storyArea is what is sprayed in the story, and storyWater how much mix goes on it.
var (
	storyArea  = quantity.Must("9", quantity.SquareMetre)
	storyWater = quantity.Must("0.25", quantity.LitrePerM2)
)

// storyMeasures are what the worker has at hand.
var storyMeasures = []*treatmentv1.Measure{
	{DisplayName: "syringe", Capacity: quantity.Must("5", quantity.Millilitre).Contract(), Graduation: quantity.Must("0.1", quantity.Millilitre).Contract()},
	{DisplayName: "scales", Capacity: quantity.Must("200", quantity.Gram).Contract(), Graduation: quantity.Must("0.01", quantity.Gram).Contract()},
}

// mixture is what is applied in the house of the story.
type mixture struct {
	product, container string
	amount, volume     *typev1.Quantity
}

func (s *story) treatments(m mixture) []*treatmentv1.HouseTreatment {
	return []*treatmentv1.HouseTreatment{{
		House: s.name("houses", storyHouse), Area: storyArea.Contract(), MixVolume: m.volume,
		Products: []*treatmentv1.ProductUse{{Product: m.product, Amount: m.amount, Container: m.container}},
		Height:   lance.Contract(), Droplets: treatmentv1.DropletClass_DROPLET_CLASS_MEDIUM_OR_LARGER,
		Airing: treatmentv1.AiringDevice_AIRING_DEVICE_FANS,
	}}
}

// mild is the weather of the story: nothing flowers, and the leaves are dry and in
// the shade.
func mild() *treatmentv1.Conditions {
	no := false
	return &treatmentv1.Conditions{
		Temperature: quantity.Must("20", quantity.Celsius).Contract(), Humidity: quantity.Must("62", quantity.Percent).Contract(),
		OpenBloom: &no, Sunlit: &no, WetFoliage: &no,
	}
}

// written writes a quantity as people say it.
func written(q *typev1.Quantity) string { return q.GetAmount() + " " + q.GetUnit() }

// spray chooses, mixes and confirms the systemic spray of a program, with what the
// rules refuse on the way.
func (s *story) spray(ctx context.Context, lot *stockv1.Lot, program *treatmentv1.Program) error {
	if err := s.askInVain(ctx, lot); err != nil {
		return err
	}
	chosen, err := s.choose(ctx, stepOf(program, "systemic"))
	if err != nil {
		return err
	}
	mixed, err := s.mix(ctx, chosen)
	if err != nil {
		return err
	}
	if mixed.container, err = s.containerOf(ctx, mixed.product); err != nil {
		return err
	}
	if err := s.overdose(ctx, program, mixed); err != nil {
		return err
	}
	application, err := s.confirmSpray(ctx, program, mixed)
	if err != nil {
		return err
	}
	if err := s.showTaken(ctx, mixed.container, application); err != nil {
		return err
	}
	return s.showEntry(ctx, application, mixed.amount)
}

// askInVain asks for an application that the rules must refuse: group 1 does
// nothing against an oomycete.
func (s *story) askInVain(ctx context.Context, lot *stockv1.Lot) error {
	const disorder, rule = "black-rot", "works-on-class"
	asked, err := s.treatment.CheckApplication(s.asWorker(ctx), &treatmentv1.CheckApplicationRequest{
		Parent: s.parent(),
		Application: &treatmentv1.ProposedApplication{
			StartTime: timestamppb.New(s.Clock.Now()), Method: productsv1.Method_METHOD_SPRAY, Disorder: disorder, Lots: []string{lot.GetName()},
			Treatments: s.treatments(mixture{
				product: s.name("products", "thiophanate-500"),
				amount:  quantity.Must("2.7", quantity.Millilitre).Contract(), volume: quantity.Must("2.25", quantity.Litre).Contract(),
			}),
			Conditions: mild(),
		},
	})
	if err != nil {
		return err
	}
	i := slices.IndexFunc(asked.GetVerdicts(), func(v *treatmentv1.Verdict) bool {
		return v.GetRule() == rule && v.GetOutcome() == treatmentv1.Outcome_OUTCOME_REFUSE
	})
	if asked.GetPasses() || i < 0 {
		return fmt.Errorf("a product of group 1 against %s should be refused by %s", disorder, rule)
	}
	s.tell("%s asks whether thiophanate-500 would do against %s. REFUSED, as it should be:", s.worker.DisplayName, disorder)
	s.tell("  %s. (%s; source: %s)", asked.GetVerdicts()[i].GetMessage(), rule, asked.GetVerdicts()[i].GetSource())
	return nil
}

// choose asks for the products of a step and takes the best.
func (s *story) choose(ctx context.Context, step string) (*treatmentv1.ProductOption, error) {
	options, err := s.treatment.ProposeProducts(s.asWorker(ctx), &treatmentv1.ProposeProductsRequest{
		Name: step, StartTime: timestamppb.New(s.Clock.Now()), Area: storyArea.Contract(), Conditions: mild(),
	})
	if err != nil {
		return nil, err
	}
	if len(options.GetProposed()) == 0 {
		return nil, fmt.Errorf("nothing is proposed for %s", step)
	}
	s.tell("For %s velamen proposes, best first:", step)
	for _, option := range options.GetProposed() {
		s.tell("  %d. %s (FRAC %s): %s", option.GetRank(), option.GetDisplayName(), strings.Join(option.GetFracCodes(), ", "), firstReasons(option))
	}
	if lost := options.GetLost(); len(lost) > 0 {
		s.tell("  %d others lost, each with its reason, for example %s: %s", len(lost), lost[0].GetDisplayName(), lost[0].GetReasons()[0])
	}
	s.tell("  %s", options.GetCaution())
	return options.GetProposed()[0], nil
}

// firstReasons returns the points against a product in all, and what most of them
// are for: the sum alone does not say why it stands where it does.
func firstReasons(option *treatmentv1.ProductOption) string {
	reasons := option.GetReasons()
	return strings.Join(reasons[:min(2, len(reasons))], "; ")
}

// mix works out what to measure out of the product that was chosen.
func (s *story) mix(ctx context.Context, chosen *treatmentv1.ProductOption) (mixture, error) {
	sheet, err := s.treatment.CalculateMix(s.asWorker(ctx), &treatmentv1.CalculateMixRequest{
		Parent: s.parent(), Method: productsv1.Method_METHOD_SPRAY, Disorder: storyDisorder, House: s.name("houses", storyHouse),
		Products: []*treatmentv1.MixProduct{{Product: chosen.GetProduct(), Rate: chosen.GetRate()}},
		Area:     storyArea.Contract(), WaterRate: storyWater.Contract(), TankVolume: quantity.Must("15", quantity.Litre).Contract(),
		Measures: storyMeasures,
	})
	if err != nil {
		return mixture{}, err
	}
	if len(sheet.GetLoads()) != 1 || sheet.GetLoads()[0].GetTimes() != 1 {
		return mixture{}, fmt.Errorf("%s fit into one tank, and the mix sheet has %d loads", written(sheet.GetTotalVolume()), len(sheet.GetLoads()))
	}
	load := sheet.GetLoads()[0].GetProducts()[0]
	s.tell("The mix sheet for %s: %s of mix at %s, so %s of %s in one load.",
		storyArea, written(sheet.GetTotalVolume()), written(chosen.GetRate()), written(load.GetAmount()), load.GetDisplayName())
	for _, measuring := range load.GetMeasuring() {
		s.tell("  %s: %d × %s", measuring.GetMeasure(), measuring.GetTimes(), written(measuring.GetAmount()))
	}
	if load.GetRounding() != "" {
		s.tell("  %s", load.GetRounding())
	}
	return mixture{product: chosen.GetProduct(), amount: load.GetAmount(), volume: sheet.GetTotalVolume()}, nil
}

var errStoreEmpty = errors.New("the chemical store has no open or sealed container of the product that was proposed")

// containerOf returns the container that the worker takes a product from: an open
// one, or else a sealed one.
func (s *story) containerOf(ctx context.Context, product string) (string, error) {
	listed, err := s.products.ListContainers(s.asWorker(ctx), &productsv1.ListContainersRequest{Parent: product, PageSize: largestPage})
	if err != nil {
		return "", err
	}
	for _, state := range []productsv1.ContainerState{productsv1.ContainerState_CONTAINER_STATE_OPEN, productsv1.ContainerState_CONTAINER_STATE_SEALED} {
		for _, container := range listed.GetContainers() {
			if container.GetState() == state {
				return container.GetName(), nil
			}
		}
	}
	return "", errStoreEmpty
}

// overdose tries to confirm ten times what was mixed.
func (s *story) overdose(ctx context.Context, program *treatmentv1.Program, mixed mixture) error {
	amount, err := quantity.FromContract(mixed.amount)
	if err != nil {
		return err
	}
	amount.Amount = amount.Amount.Shift(1)
	mixed.amount = amount.Contract()
	_, err = s.confirm(ctx, program, "systemic", &treatmentv1.Confirmation{Treatments: s.treatments(mixed), Conditions: mild()})
	return s.refused(s.worker.DisplayName, "confirm ten times as much", err, fault.LabelRateExceeded)
}

// confirmSpray confirms the systemic spray and returns its application.
func (s *story) confirmSpray(ctx context.Context, program *treatmentv1.Program, mixed mixture) (application string, err error) {
	confirmation := &treatmentv1.Confirmation{Treatments: s.treatments(mixed), Conditions: mild()}
	done, err := s.confirm(ctx, program, "systemic", confirmation)
	if err != nil {
		return "", err
	}
	s.tell("%s confirms the systemic spray: %s of the product in %s on %s; of %d verdicts none refuses.",
		s.worker.DisplayName, written(mixed.amount), written(mixed.volume), storyArea, len(done.GetVerdicts()))
	_, err = s.confirm(ctx, program, "contact", confirmation)
	if err := s.refused(s.worker.DisplayName, "confirm the contact spray on the same day", err, fault.StepNotOpen); err != nil {
		return "", err
	}
	for _, step := range done.GetProgram().GetSteps() {
		if step.GetName() == stepOf(program, "contact") {
			s.tell("The contact spray may be done from %s and is due %s.", s.local(step.GetOpenTime().AsTime()), s.local(step.GetDueTime().AsTime()))
		}
	}
	s.applications = append(s.applications, done.GetApplication())
	return done.GetApplication(), nil
}

// showTaken waits until the chemical store has taken out what was applied.
func (s *story) showTaken(ctx context.Context, container, application string) error {
	var taken *productsv1.ContainerEvent
	err := eventually(ctx, "the store has taken what went into "+application, func() (bool, error) {
		history, err := s.products.ListContainerEvents(s.asWorker(ctx), &productsv1.ListContainerEventsRequest{Name: container, PageSize: largestPage})
		i := slices.IndexFunc(history.GetEvents(), func(e *productsv1.ContainerEvent) bool { return e.GetApplication() == application })
		if i >= 0 {
			taken = history.GetEvents()[i]
		}
		return i >= 0, err
	})
	if err != nil {
		return err
	}
	s.tell("The chemical store has taken it out of %s: %s, and %s is left.", container, written(taken.GetChange()), written(taken.GetRemaining()))
	return nil
}
