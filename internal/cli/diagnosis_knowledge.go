package cli

import (
	"context"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
)

func (a *app) signs() *cobra.Command {
	var organ diagnosisv1.Organ
	cmd := a.command(text{
		use: "signs", short: "List the signs that can be observed",
		long:    "Lists the vocabulary of signs with the organs on which each is looked for.",
		example: "  velamen diagnosis signs --organ leaf",
	}, func(ctx context.Context, _ []string) error {
		signs, err := call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.ListSigns, &diagnosisv1.ListSignsRequest{})
		if err != nil {
			return err
		}
		if organ != 0 {
			signs.Signs = slices.DeleteFunc(signs.GetSigns(), func(sign *diagnosisv1.Sign) bool { return !slices.Contains(sign.GetOrgans(), organ) })
		}
		return a.show(ctx, signs, func(s *sheet) {
			if s.none(len(signs.GetSigns()), "signs") {
				return
			}
			s.row("SIGN", "ORGANS", "DESCRIPTION")
			for _, sign := range signs.GetSigns() {
				s.row(sign.GetId(), wordsOf(sign.GetOrgans()), sign.GetDescription())
			}
		})
	})
	enumFlag(cmd.Flags(), &organ, "organ", "only signs that are looked for on this organ")
	return cmd
}

func (a *app) disorder() *cobra.Command {
	return a.command(text{
		use: "disorder DISORDER", short: "Show all that is known of one disorder",
		long: `Shows one disorder: its signs with how often each is seen and where that comes from,
look-alikes, how it spreads, and what to do. DISORDER is its id, its name or a cause
of it, or a part of one of these; where several have it they are listed. ` + Caution,
		example: `  velamen diagnosis disorder black-rot
  velamen diagnosis disorder "grey mould"
  velamen diagnosis disorder colletotrichum`,
	}, func(ctx context.Context, args []string) error {
		disorders, err := call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.ListDisorders, &diagnosisv1.ListDisordersRequest{})
		if err != nil {
			return err
		}
		found := disordersCalled(disorders.GetDisorders(), args[0])
		switch len(found) {
		case 0:
			return usagef("DISORDER %q: there is no such disorder; velamen diagnosis disorders lists them", args[0])
		case 1:
			return a.showWithCaution(ctx, found[0], func(s *sheet) { s.disorder(found[0]) })
		}
		ids := make([]string, len(found))
		for i, disorder := range found {
			ids[i] = disorder.GetId()
		}
		return usagef("DISORDER %q: %d disorders have that name, a part of it or such a cause; give one of %s", args[0], len(ids), strings.Join(ids, ", "))
	})
}

// disordersCalled returns the disorders that have what was typed as their id, name or
// cause, in capitals or not; when none has, those that have it as a part of one.
func disordersCalled(all []*diagnosisv1.Disorder, typed string) []*diagnosisv1.Disorder {
	wanted := strings.ToLower(strings.TrimSpace(typed))
	if wanted == "" {
		return nil
	}
	for _, fits := range []func(name string) bool{
		func(name string) bool { return name == wanted },
		func(name string) bool { return strings.Contains(name, wanted) },
	} {
		var found []*diagnosisv1.Disorder
		for _, disorder := range all {
			names := append([]string{disorder.GetId(), disorder.GetDisplayName()}, disorder.GetCauses()...)
			if slices.ContainsFunc(names, func(name string) bool { return fits(strings.ToLower(name)) }) {
				found = append(found, disorder)
			}
		}
		if len(found) > 0 {
			return found
		}
	}
	return nil
}

func (a *app) testList() *cobra.Command {
	request := &diagnosisv1.ListTestsRequest{}
	cmd := a.command(text{
		use: "list", short: "List the tests that confirm disorders",
		long:    "Lists the tests with what each finds, what to sample, how far it can be trusted and how long it takes. " + Caution,
		example: "  velamen diagnosis test list --disorder black-rot",
	}, func(ctx context.Context, _ []string) error {
		tests, err := call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.ListTests, request)
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, tests, func(s *sheet) { s.tests(tests.GetTests()) })
	})
	cmd.Flags().StringVar(&request.Disorder, "disorder", "", "only those that find this disorder")
	return cmd
}

func (s *sheet) tests(tests []*diagnosisv1.Test) {
	if s.none(len(tests), "tests") {
		return
	}
	s.row("TEST", "NAME", "DONE", "SAMPLE", "POSITIVE WHEN THERE", "NEGATIVE WHEN NOT", "DAYS", "MINUTES", "FINDS")
	designed := false
	for _, test := range tests {
		mark := ""
		if test.GetDesignValues() {
			mark, designed = " *", true
		}
		s.row(test.GetId(), test.GetDisplayName(), word(test.GetKind()), wordsOf(test.GetSampleOrgans()), test.GetSensitivityPercent()+" %"+mark,
			test.GetSpecificityPercent()+" %"+mark, test.GetDays(), test.GetMinutes(), strings.Join(test.GetFinds(), ", "))
	}
	s.line("")
	s.line("Positive when there: in so many plants that have the disorder; negative when not: in so many that have something else.")
	if designed {
		s.line("* Design value: a figure set for the ranking, neither measured nor published.")
	}
}
