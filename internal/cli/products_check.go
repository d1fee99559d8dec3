package cli

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	productsv1 "velamen/gen/velamen/products/v1"
)

func (a *app) productCheck() *cobra.Command {
	return a.command(text{
		use: "check", short: "List what is missing from labels or runs out",
		long: `Lists what will refuse or hinder an application: label facts that are not entered,
registrations that ended or end within 30 days, active ingredients that are not
approved under the nursery's law, products of another law or without directions; and
what entry, displays and reports ask of a label, which keeps no product from use.
The exit code is 3 when something keeps a product from being used at all.`,
		example: "  velamen products check\n  velamen products check --json",
	}, func(ctx context.Context, _ []string) error {
		parent, err := a.parent()
		if err != nil {
			return err
		}
		checked, err := call(ctx, a, productsv1.NewProductsServiceClient, productsv1.ProductsServiceClient.CheckProducts,
			&productsv1.CheckProductsRequest{Parent: parent})
		if err != nil {
			return err
		}
		refusing := 0
		for _, finding := range checked.GetFindings() {
			if finding.GetRefuses() {
				refusing++
			}
		}
		if err := a.showWithCaution(ctx, checked, func(s *sheet) { drawFindings(s, checked) }); err != nil {
			return err
		}
		if refusing > 0 {
			return outcomeError{exitRefused, fmt.Errorf("findings that keep a product from being used: %d", refusing)}
		}
		return nil
	})
}

func drawFindings(s *sheet, checked *productsv1.CheckProductsResponse) {
	if len(checked.GetFindings()) == 0 {
		s.line("Nothing is missing from %d products.", checked.GetProducts())
		return
	}
	s.row("PRODUCT", "FIELD", "RULE", "KEEPS FROM USE", "WHAT TO DO", "SOURCE")
	for _, finding := range checked.GetFindings() {
		s.row(shortName(finding.GetProduct()), finding.GetField(), finding.GetRule(), yes(finding.GetRefuses()),
			finding.GetMessage(), finding.GetSource())
	}
}

func (a *app) approvals() *cobra.Command {
	var jurisdiction string
	cmd := a.command(text{
		use: "approvals", short: "List the active ingredients that are not approved any more",
		long: `Lists the active ingredients whose approval ended under the nursery's law, with the
act and the last day of use. A member state of a union may have ended use sooner.`,
		example: "  velamen products approvals\n  velamen products approvals --jurisdiction EU\n  velamen products approvals --jurisdiction -",
	}, func(ctx context.Context, _ []string) error {
		parent, err := a.parent()
		if err != nil {
			return err
		}
		approvals, err := call(ctx, a, productsv1.NewProductsServiceClient, productsv1.ProductsServiceClient.ListApprovals,
			&productsv1.ListApprovalsRequest{Parent: parent, Jurisdiction: jurisdiction})
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, approvals, func(s *sheet) {
			if s.none(len(approvals.GetApprovals()), "ended approvals on file for this law") {
				return
			}
			s.row("ACTIVE INGREDIENT", "LAW", "LAST DAY OF USE", "ACT", "SOURCE")
			for _, approval := range approvals.GetApprovals() {
				s.row(approval.GetActiveIngredient(), approval.GetJurisdiction(), approval.GetLastUseDate().GetValue(),
					approval.GetAct(), approval.GetSource())
			}
		})
	})
	cmd.Flags().StringVar(&jurisdiction, "jurisdiction", "", `only those that bind under this law, for example EU or US-CA ("-": all)`)
	return cmd
}

func (a *app) aliasCommand() *cobra.Command {
	return group("alias", "Other names of active ingredients",
		`Other names that mean the same substance. A name that means another active
ingredient already is refused: what looks like a synonym may be of another
resistance group.`,
		a.aliasList(), a.aliasAdd())
}

func (a *app) aliasList() *cobra.Command {
	return a.command(text{
		use: "list", short: "List the other names", long: "Lists all other names, those that came with velamen included.",
		example: "  velamen products alias list",
	}, func(ctx context.Context, _ []string) error {
		parent, err := a.parent()
		if err != nil {
			return err
		}
		aliases, err := call(ctx, a, productsv1.NewProductsServiceClient, productsv1.ProductsServiceClient.ListAliases,
			&productsv1.ListAliasesRequest{Parent: parent})
		if err != nil {
			return err
		}
		return a.show(ctx, aliases, func(s *sheet) {
			s.row("NAME", "MEANS", "CAME WITH VELAMEN", "SOURCE")
			for _, alias := range aliases.GetAliases() {
				s.row(alias.GetDisplayName(), alias.GetActiveIngredient(), yes(alias.GetShipped()), alias.GetSource())
			}
		})
	})
}

func (a *app) aliasAdd() *cobra.Command {
	alias := &productsv1.Alias{}
	cmd := a.command(text{
		use: "add NAME", short: "Add another name of an active ingredient",
		long: `Adds another name of the same substance: not of a salt, an ester or an isomer of it.
Managers and owners only.`,
		example: `  velamen products alias add "captane" --active captan --source "printed label of the product"`,
	}, func(ctx context.Context, args []string) (err error) {
		alias.DisplayName = args[0]
		request := &productsv1.CreateAliasRequest{Alias: alias}
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		made, err := call(ctx, a, productsv1.NewProductsServiceClient, productsv1.ProductsServiceClient.CreateAlias, request)
		if err != nil {
			return err
		}
		return a.show(ctx, made, func(s *sheet) {
			s.fact("Name", made.GetDisplayName())
			s.fact("Means", made.GetActiveIngredient())
			s.fact("Source", made.GetSource())
		})
	})
	cmd.Flags().StringVar(&alias.ActiveIngredient, "active", "", "active ingredient that it means")
	cmd.Flags().StringVar(&alias.Source, "source", "", "where it stands that both are the same substance")
	return needs(cmd, "active", "source")
}
