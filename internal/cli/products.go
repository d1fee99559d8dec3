package cli

import (
	"context"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	productsv1 "velamen/gen/velamen/products/v1"
)

func (a *app) productsCommand() *cobra.Command {
	return group("products", "Active ingredients, products and their labels",
		"A product is entered with what its label says; the printed label decides, this is a copy. "+Caution,
		a.actives(), a.productList(), a.productGet(), a.productCreate(), a.productUpdate(),
		a.productCheck(), a.productExport(), a.productImport(), a.aliasCommand(), a.approvals(), a.storeCommand())
}

func (a *app) actives() *cobra.Command {
	return a.command(text{
		use: "actives", short: "List the active ingredients with their FRAC codes",
		long:    "Lists the active ingredients: resistance group and its risk, how they move in the plant, and what they work on.",
		example: "  velamen products actives",
	}, func(ctx context.Context, _ []string) error {
		actives, err := call(ctx, a, productsv1.NewProductsServiceClient, productsv1.ProductsServiceClient.ListActiveIngredients,
			&productsv1.ListActiveIngredientsRequest{})
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, actives, func(s *sheet) {
			s.row("ACTIVE INGREDIENT", "FRAC", "RISK", "MOBILITY", "WORKS ON", "CAS", "OTHER NAMES", "SOURCE")
			for _, active := range actives.GetActiveIngredients() {
				s.row(active.GetId(), active.GetFracCode(), word(active.GetResistanceRisk()), word(active.GetMobility()), wordsOf(active.GetWorksOn()),
					active.GetCasNumber(), strings.Join(active.GetAliases(), ", "), active.GetSource())
			}
		})
	})
}

func (a *app) productList() *cobra.Command {
	var limit int
	cmd := a.command(text{
		use: "list", short: "List the products", long: "Lists the products that the nursery may use, by name.",
		example: "  velamen products list",
	}, func(ctx context.Context, _ []string) error {
		parent, err := a.parent()
		if err != nil {
			return err
		}
		products, err := gather(limit, func(size int32, token string) (*productsv1.ListProductsResponse, error) {
			return call(ctx, a, productsv1.NewProductsServiceClient, productsv1.ProductsServiceClient.ListProducts,
				&productsv1.ListProductsRequest{Parent: parent, PageSize: size, PageToken: token})
		})
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, products, func(s *sheet) {
			if s.none(len(products.GetProducts()), "products") {
				return
			}
			s.row("PRODUCT", "NAME", "REGISTRATION", "FORM", "CONTAINS", "RESTRICTED USE")
			for _, product := range products.GetProducts() {
				s.row(shortName(product.GetName()), product.GetDisplayName(), product.GetRegistrationNumber(), word(product.GetForm()),
					contents(product), yes(product.GetRestrictedUse()))
			}
			s.more(products.GetNextPageToken())
		})
	})
	limitFlag(cmd, &limit)
	return cmd
}

func contents(product *productsv1.Product) string {
	texts := make([]string, len(product.GetContents()))
	for i, content := range product.GetContents() {
		texts[i] = content.GetActiveIngredient() + " " + amount(content.GetAmount())
	}
	return strings.Join(texts, ", ")
}

func (a *app) productGet() *cobra.Command {
	return a.command(text{
		use: "get PRODUCT", short: "Show one product with its label directions",
		long:    "Shows one product: what it contains, and every use that its label allows.",
		example: "  velamen products get topspray\n  velamen products get topspray --json > topspray.json",
	}, func(ctx context.Context, args []string) error {
		name, err := a.name("PRODUCT", args[0], "products")
		if err != nil {
			return err
		}
		product, err := call(ctx, a, productsv1.NewProductsServiceClient, productsv1.ProductsServiceClient.GetProduct,
			&productsv1.GetProductRequest{Name: name})
		if err != nil {
			return err
		}
		return a.showProduct(ctx, product)
	})
}

func productFileFlag(cmd *cobra.Command, file *string) *cobra.Command {
	cmd.Flags().StringVarP(file, "file", "f", "", `JSON file of the product ("-": standard input)`)
	return needs(cmd, "file")
}

func (a *app) productCreate() *cobra.Command {
	var file string
	cmd := a.command(text{
		use: "create PRODUCT", short: "Add a product from a JSON file",
		long: `Adds a product with what its label says. The file holds a Product of the contract:

  {"display_name": "Example 500 WP", "registration_number": "L0000", "form": "PRODUCT_FORM_SOLID",
   "formulation": "FORMULATION_WP", "jurisdiction": "ZA",
   "contents": [{"active_ingredient": "thiophanate-methyl", "amount": {"amount": "500", "unit": "g/kg"}}],
   "directions": [{"method": "METHOD_SPRAY", "disorder_classes": ["DISORDER_CLASS_FUNGUS"],
     "rate_min": {"amount": "1", "unit": "g/L"}, "rate_max": {"amount": "1.5", "unit": "g/L"},
     "crops": ["ornamentals"], "sites": ["SITE_GREENHOUSE"],
     "restricted_entry_interval": {"amount": "12", "unit": "h"}, "min_interval_days": 7,
     "silent_on": ["LABEL_FACT_WATER_VOLUME"]}],
   "respirator": "LABEL_ANSWER_NO", "first_aid": "word for word as the label says it"}

The file docs/products.schema.json lists every field. Name a fact on which the label says
nothing in silent_on, and leave out one that is not known: velamen then refuses to
use the product rather than guess, and velamen products check lists it. Managers and owners only. ` + Caution,
		example: "  velamen products create topspray -f topspray.json",
	}, func(ctx context.Context, args []string) (err error) {
		request := &productsv1.CreateProductRequest{ProductId: args[0], Product: &productsv1.Product{}}
		if err := a.readMessage("--file", file, request.GetProduct()); err != nil {
			return err
		}
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		product, err := call(ctx, a, productsv1.NewProductsServiceClient, productsv1.ProductsServiceClient.CreateProduct, request)
		if err != nil {
			return err
		}
		return a.showProduct(ctx, product)
	})
	return productFileFlag(cmd, &file)
}

func (a *app) productUpdate() *cobra.Command {
	var file string
	request := &productsv1.UpdateProductRequest{Product: &productsv1.Product{}}
	var cmd *cobra.Command
	cmd = a.command(text{
		use: "update PRODUCT", short: "Change what is known about a product",
		long: `Changes the answers of a label that are given, and the rest stays; or with --file
replaces everything that is known about a product by a JSON file, as velamen
products get --json writes it. When an etag is given or stands in the file, the
update is refused if somebody else changed the product since; a file of another
product is not taken. An answer is no also where the label was read and says nothing
about it. Managers and owners only.`,
		example: "  velamen products update topspray --respirator no --organophosphate no\n  velamen products update topspray -f topspray.json",
	}, func(ctx context.Context, args []string) (err error) {
		if err := a.changedProduct(cmd.Flags(), file, request); err != nil {
			return err
		}
		name, err := a.name("PRODUCT", args[0], "products")
		if err != nil {
			return err
		}
		if of := request.GetProduct().GetName(); of != "" && of != name {
			return usagef("--file %s: it is the label of %s, not of %s", file, shortName(of), shortName(name))
		}
		request.Product.Name = name
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		product, err := call(ctx, a, productsv1.NewProductsServiceClient, productsv1.ProductsServiceClient.UpdateProduct, request)
		if err != nil {
			return err
		}
		return a.showProduct(ctx, product)
	})
	cmd.Flags().StringVarP(&file, "file", "f", "", `JSON file of the whole product ("-": standard input)`)
	answerFlags(cmd.Flags(), request.GetProduct())
	etagFlag(cmd, &request.Product.Etag)
	return cmd
}

// changedProduct fills in what an update changes: the whole product by a file, or
// what flags give.
func (a *app) changedProduct(flags *pflag.FlagSet, file string, request *productsv1.UpdateProductRequest) (err error) {
	if file == "" {
		if request.UpdateMask, err = changed(flags, request.GetProduct()); err != nil {
			return usagef("%w, or --file with the whole product", err)
		}
		return nil
	}
	if alone, _ := changed(flags, request.GetProduct()); alone != nil || request.GetProduct().GetEtag() != "" {
		return usagef("--file replaces the whole product: give it alone")
	}
	request.UpdateMask = &fieldmaskpb.FieldMask{Paths: []string{"*"}}
	return a.readMessage("--file", file, request.GetProduct())
}

func answerFlags(flags *pflag.FlagSet, product *productsv1.Product) {
	enumFlag(flags, &product.Respirator, "respirator", "whether the label asks for a respirator to apply it")
	enumFlag(flags, &product.DoubleNotification, "double-notification", "whether it asks for warning signs and spoken words both")
	enumFlag(flags, &product.InhalationLimited, "inhalation-limited", "whether it gives a level of vapour in the air below which people may enter")
	quantityFlag(flags, &product.InhalationLevel, "inhalation-level", "that level, as in 1ppm")
	enumFlag(flags, &product.Organophosphate, "organophosphate", "whether an active ingredient is an organophosphate that inhibits cholinesterase")
	flags.StringVar(&product.FirstAid, "first-aid", "", "first aid, word for word as the label says it")
	flags.StringVar(&product.SafetyDataSheet, "safety-data-sheet", "", "number or date of its safety data sheet, and where it is kept")
	enumFlag(flags, &product.TimeLimited, "time-limited", "whether the authorisation limits the time of day of the use")
	enumFlag(flags, &product.StageLimited, "stage-limited", "whether it limits the growth stage of the use")
}
