package cli

import (
	"context"
	"errors"
	"strings"

	"github.com/spf13/cobra"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
)

func (a *app) productsPropose() *cobra.Command {
	var at, by string
	request := &treatmentv1.ProposeProductsRequest{}
	conditions := &treatmentv1.Conditions{}
	cmd := a.command(text{
		use: "propose PROGRAM/STEP", short: "Rank the products for a step, and say why each other one lost",
		long: `Ranks the products that a bath, spray or drench may be done with, best first. Every
product that is proposed passes every rule; of each other one it says why it lost,
and which active ingredients of the step nobody here has. The exit code is 3 when no
product is proposed. ` + Caution,
		example: `  velamen treatment propose p-1/systemic-1
  velamen treatment propose p-1/systemic-1 --at "2026-03-02 07:00" --area 40m2 --mix 20L --temperature 24Cel --humidity 70% \
    --open-bloom no --sunlit no --wet-foliage no --by wandile`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Name, err = a.name("STEP", args[0], "programs", "steps"); err != nil {
			return err
		}
		if request.StartTime, err = a.moment(ctx, "--at", at); err != nil {
			return err
		}
		if request.Applicator, err = a.optionalName("--by", by, "people"); err != nil {
			return err
		}
		request.Conditions = conditionsSaid(conditions)
		proposal, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.ProposeProducts, request)
		if err != nil {
			return err
		}
		if err := a.showWithItsCaution(ctx, proposal, func(s *sheet) { s.proposal(proposal) }); err != nil {
			return err
		}
		if len(proposal.GetProposed()) == 0 {
			return outcomeError{exitRefused, errors.New("no product may be applied in this step as things stand")}
		}
		return nil
	})
	flags := cmd.Flags()
	flags.StringVar(&at, "at", "", `when the work would begin (default: when the step opens, or now), as in "2026-03-02 07:00"`)
	quantityFlag(flags, &request.Area, "area", "area to treat, as in 40m2 or 900ft2 (default: the benches of the lots)")
	quantityFlag(flags, &request.MixVolume, "mix", "volume of mix, as in 20L or 5gal (default: by the label's water volume)")
	conditionsFlags(flags, conditions)
	flags.StringVar(&by, "by", "", "who would apply it (default: you)")
	return cmd
}

func (s *sheet) proposal(proposal *treatmentv1.ProposeProductsResponse) {
	s.fact("Worked out for", s.when(proposal.GetStartTime()))
	s.line("")
	if !s.none(len(proposal.GetProposed()), "products to propose") {
		s.row("RANK", "PRODUCT", "NAME", "GROUPS", "RATE", "AMOUNT", "MIX", "RE-ENTRY AFTER", "IN STORE", "COST", "APPLICATIONS LEFT")
		for _, option := range proposal.GetProposed() {
			s.row(option.GetRank(), shortName(option.GetProduct()), option.GetDisplayName(), strings.Join(option.GetFracCodes(), ", "),
				amount(option.GetRate()), amount(option.GetAmount()), amount(option.GetMixVolume()), reentryAfter(option.GetRestrictedEntryInterval()),
				amount(option.GetInStore()), money(option.GetCost()), applicationsLeft(option))
		}
		s.reasons("WHY IN THIS ORDER", proposal.GetProposed())
	}
	s.reasons("WHY NOT", proposal.GetLost())
	if len(proposal.GetToBuy()) > 0 {
		s.line("")
		s.line("To buy, since no product here has it: %s.", strings.Join(proposal.GetToBuy(), ", "))
	}
}

// reasons lists what speaks for or against products, a row for each sentence.
func (s *sheet) reasons(heading string, options []*treatmentv1.ProductOption) {
	if len(options) == 0 {
		return
	}
	s.line("")
	s.row("PRODUCT", "GROUPS", heading)
	for _, option := range options {
		product, groups := shortName(option.GetProduct()), strings.Join(option.GetFracCodes(), ", ")
		for _, reason := range option.GetReasons() {
			s.row(product, groups, reason)
			product, groups = " ", " "
		}
	}
}

func money(m *typev1.Money) string {
	if m == nil {
		return ""
	}
	return m.GetAmount() + " " + m.GetCurrencyCode()
}

func applicationsLeft(option *treatmentv1.ProductOption) any {
	if option.ApplicationsLeft == nil {
		return ""
	}
	return option.GetApplicationsLeft()
}

func (a *app) rotationPlan() *cobra.Command {
	var from, to string
	request := &treatmentv1.PlanRotationRequest{}
	cmd := a.command(text{
		use: "rotation HOUSE", short: "Lay out a sequence of resistance groups for a season",
		long: `Lays out which product to apply on which day, so that every limit of every resistance
group is kept from the first day to the last. When that is impossible it names
limits that together make it so, and the exit code is 3. ` + Caution,
		example: `  velamen treatment rotation h1 --from 2026-03-01 --to 2026-08-31 --every 14 --disorder powdery-mildew --method spray
  velamen treatment rotation h1 --from 2026-03-01 --to 2026-05-31 --every 10 --disorder grey-mould --method spray \
    --product topspray --product mancozeb-800 --json`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.House, err = a.name("HOUSE", args[0], "houses"); err != nil {
			return err
		}
		if request.FromDate, err = parseDay("--from", from); err != nil {
			return err
		}
		if request.ToDate, err = parseDay("--to", to); err != nil {
			return err
		}
		if request.Products, err = a.names("--product", request.GetProducts(), "products"); err != nil {
			return err
		}
		plan, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.PlanRotation, request)
		if err != nil {
			return err
		}
		if err := a.showWithItsCaution(ctx, plan, func(s *sheet) { s.rotation(plan) }); err != nil {
			return err
		}
		if len(plan.GetConflict()) > 0 {
			return outcomeError{exitRefused, errors.New("no sequence keeps all limits")}
		}
		return nil
	})
	flags := cmd.Flags()
	flags.StringVar(&from, "from", "", "first day, as in 2026-03-01")
	flags.StringVar(&to, "to", "", "last day, as in 2026-08-31")
	flags.Int32Var(&request.IntervalDays, "every", 0, "days from one application to the next")
	disorderFlag(flags, &request.Disorder)
	enumFlag(flags, &request.Method, "method", "how it is applied")
	flags.StringSliceVar(&request.Products, "product", nil, "only this product (may be repeated; default: all)")
	return needs(cmd, "from", "to", "every", "disorder", "method")
}

func (s *sheet) rotation(plan *treatmentv1.PlanRotationResponse) {
	if len(plan.GetConflict()) > 0 {
		impossible := "No sequence keeps all limits. These together make it impossible."
		if plan.GetSmallestConflict() {
			impossible += " No fewer limits do."
		}
		s.line("%s", impossible)
		s.line("")
		s.row("LIMIT", "WHAT", "SOURCE")
		for _, limit := range plan.GetConflict() {
			s.row(limit.GetRule(), limit.GetMessage(), limit.GetSource())
		}
		return
	}
	if s.none(len(plan.GetApplications()), "applications in that time") {
		return
	}
	s.row("DAY", "PRODUCT", "NAME", "GROUPS")
	for _, application := range plan.GetApplications() {
		s.row(application.GetDate().GetValue(), shortName(application.GetProduct()), application.GetDisplayName(),
			strings.Join(application.GetFracCodes(), ", "))
	}
}
