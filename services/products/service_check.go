package products

import (
	"context"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/fault"
	"velamen/internal/jurisdiction"
	"velamen/internal/resource"
	"velamen/services/identity"
)

// Caution stands on everything that says what a label allows.
const Caution = "This is a copy of what labels say: the printed label and local law decide. Ask a licensed adviser first."

// CheckProducts lists what is missing from labels or runs out.
func (s *Service) CheckProducts(ctx context.Context, request *productsv1.CheckProductsRequest) (*productsv1.CheckProductsResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	response := &productsv1.CheckProductsResponse{Caution: Caution}
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		nursery, err := identity.ReadNursery(ctx, tx, ids[0])
		if err != nil {
			return err
		}
		products, err := ReadProducts(ctx, tx, ids[0])
		if err != nil {
			return err
		}
		containers, err := keptContainers(ctx, tx, ids[0])
		if err != nil {
			return err
		}
		today := s.db.Now().In(nursery.Zone)
		for _, product := range products {
			name := resource.Of("nurseries", ids[0], "products", product.ID)
			findings := slices.Concat(Check(product, nursery.Jurisdiction, today), checkStore(containers[product.ID], today))
			for _, finding := range findings {
				response.Findings = append(response.Findings, finding.contract(name))
			}
		}
		response.Products = int32(len(products)) //nolint:gosec // a nursery has hundreds of products
		return nil
	})
	if err != nil {
		return nil, err
	}
	return response, nil
}

// ListApprovals returns where active ingredients are not approved any more.
func (s *Service) ListApprovals(ctx context.Context, request *productsv1.ListApprovalsRequest) (*productsv1.ListApprovalsResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	code := request.GetJurisdiction()
	switch code {
	case "":
		nursery, err := identity.ReadNursery(ctx, s.db, ids[0])
		if err != nil {
			return nil, err
		}
		code = nursery.Jurisdiction
	case allLaws:
	default:
		if err := jurisdiction.CheckLaw(code); err != nil {
			return nil, fault.Field("jurisdiction", "%s", err).With("jurisdiction", code)
		}
	}
	response := &productsv1.ListApprovalsResponse{}
	for _, approval := range Approvals(code) {
		response.Approvals = append(response.Approvals, approval.contract())
	}
	return response, nil
}

func (a Approval) contract() *productsv1.Approval {
	return &productsv1.Approval{
		ActiveIngredient: a.ActiveIngredient, Jurisdiction: a.Jurisdiction, Act: a.Act,
		LastUseDate: dateContract(a.LastUseDate), Source: a.Source,
	}
}

func (f Finding) contract(product string) *productsv1.ProductFinding {
	return &productsv1.ProductFinding{
		Product: product, Field: f.Field, Rule: f.Rule, Message: f.Message, Refuses: f.Refuses, Source: f.Source,
	}
}

// dayOf returns the calendar day of a moment in its zone.
func dayOf(moment time.Time) string { return moment.Format(time.DateOnly) }
