package products

import (
	"context"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/internal/rpc"
)

// CreateAlias adds another name of an active ingredient. A name that means another
// active ingredient already is refused: what looks like a synonym may belong to
// another resistance group. So is the display name of a product: a trade name says
// nothing of what is in it.
func (s *Service) CreateAlias(ctx context.Context, request *productsv1.CreateAliasRequest) (*productsv1.Alias, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, _ rpc.Principal) (*productsv1.Alias, error) {
		if err := lockNames(ctx, tx, ids[0]); err != nil {
			return nil, err
		}
		known, err := readNames(ctx, tx, ids[0])
		if err != nil {
			return nil, err
		}
		added, err := known.alias(request.GetAlias())
		if err != nil {
			return nil, err
		}
		if err := insertAlias(ctx, tx, ids[0], added, s.db.Now()); err != nil {
			return nil, err
		}
		return added.contract(ids[0]), nil
	})
}

// alias reads an alias of the contract and refuses a name that has a meaning.
func (n names) alias(message *productsv1.Alias) (alias, error) {
	r := &reading{names: n}
	r.text("alias.display_name", message.GetDisplayName())
	r.text("alias.source", message.GetSource())
	added := alias{
		id: normalName(message.GetDisplayName()), displayName: message.GetDisplayName(), source: message.GetSource(),
		activeIngredient: r.active("alias.active_ingredient", message.GetActiveIngredient()),
	}
	if !activeID.MatchString(added.id) {
		r.add(fault.Field("alias.display_name", "%q must be a name of letters, digits, spaces and hyphens that begins with a letter", added.displayName).
			With("display_name", added.displayName))
	}
	if err := first(r.faults); err != nil {
		return alias{}, err
	}
	if meaning, alike := n.alike(added.displayName); alike && meaning != added.activeIngredient {
		return alias{}, n.conflict(added, meaning)
	}
	if meaning, taken := n.resolve(added.displayName); taken {
		return alias{}, aliasExists(added.displayName, meaning)
	}
	if product, found := n.traded(added.displayName); found {
		return alias{}, tradeConflict(added, product)
	}
	return added, nil
}

// tradeConflict explains that a product has the name of an alias, and what is in
// it.
func tradeConflict(added alias, product trade) *fault.Fault {
	active, _ := ActiveIngredientByID(added.activeIngredient)
	return fault.FieldReason(fault.Precondition, fault.AliasConflict, "alias.display_name",
		"%s is the name of the product %s, which contains %s; %s is %s, and a trade name never stands in for an active ingredient",
		added.displayName, product.product, product.holds(), active.DisplayName, FRACGroup(active.FRACCode)).
		With("display_name", added.displayName).With("product", product.product).
		With("active_ingredient", active.ID).With("frac_code", active.FRACCode)
}

func aliasExists(name, active string) *fault.Fault {
	return fault.FieldReason(fault.Exists, fault.AlreadyExists, "alias.display_name", "%q means %s already", name, active).
		With("display_name", name).With("active_ingredient", active)
}

// conflict explains why a name cannot be an alias: what it means already, what it
// was to mean, and that the two are different substances.
func (n names) conflict(added alias, meaning string) *fault.Fault {
	is, _ := ActiveIngredientByID(meaning)
	other, _ := ActiveIngredientByID(added.activeIngredient)
	how := "is another name of " + is.DisplayName
	switch key := normalName(added.displayName); {
	case key == normalName(is.ID) || key == normalName(is.DisplayName):
		how = "is itself an active ingredient"
	case closed(key) == closed(normalName(is.ID)):
		how = "is " + is.DisplayName + " with other spaces and hyphens"
	}
	return fault.FieldReason(fault.Precondition, fault.AliasConflict, "alias.display_name",
		"%s %s (%s); %s is %s: they are different substances, and one never stands in for the other",
		added.displayName, how, FRACGroup(is.FRACCode), other.DisplayName, FRACGroup(other.FRACCode)).
		With("display_name", added.displayName).With("means", is.ID).With("means_frac_code", is.FRACCode).
		With("active_ingredient", other.ID).With("frac_code", other.FRACCode)
}

// ListAliases returns all other names of active ingredients, by name.
func (s *Service) ListAliases(ctx context.Context, request *productsv1.ListAliasesRequest) (*productsv1.ListAliasesResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	own, err := readAliases(ctx, s.db, ids[0])
	if err != nil {
		return nil, err
	}
	response := &productsv1.ListAliasesResponse{}
	for _, a := range own {
		response.Aliases = append(response.Aliases, a.contract(ids[0]))
	}
	for _, active := range catalog() {
		for _, name := range active.Aliases {
			came := alias{id: normalName(name), displayName: name, activeIngredient: active.ID, source: aliasSource}
			message := came.contract(ids[0])
			message.Shipped = true
			response.Aliases = append(response.Aliases, message)
		}
	}
	slices.SortFunc(response.GetAliases(), func(a, b *productsv1.Alias) int { return strings.Compare(a.GetName(), b.GetName()) })
	return response, nil
}

// aliasSource is where the names of the catalog come from.
const aliasSource = "catalog of active ingredients, from memory"

func (a alias) contract(nursery string) *productsv1.Alias {
	return &productsv1.Alias{
		Name:        resource.Of("nurseries", nursery, "aliases", a.id),
		DisplayName: a.displayName, ActiveIngredient: a.activeIngredient, Source: a.source,
	}
}
