package main

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
)

// proposedProducts is how many products a large nursery's store holds.
const proposedProducts = 300

// proposedActives are what the products of the measurement hold, in turn.
var proposedActives = []string{
	"thiophanate-methyl", "tebuconazole", "azoxystrobin", "boscalid", "mancozeb", "captan", "chlorothalonil", "copper-hydroxide",
	"iprodione", "fludioxonil", "fenhexamid", "sulphur",
}

// measureProposals asks for the products of a step that is open in every program,
// one after another.
func measureProposals(ctx context.Context, n *nursery, programs int) error {
	products := productsv1.NewProductsServiceClient(n.server.conn)
	err := inParallel(startClients, proposedProducts, func(i int) error {
		_, err := products.CreateProduct(n.as(ctx), &productsv1.CreateProductRequest{
			Parent: nurseryName, ProductId: fmt.Sprintf("product-%03d", i), RequestId: uuid.NewString(), Product: product(i),
		})
		return err
	})
	if err != nil {
		return fmt.Errorf("add a product: %w", err)
	}
	asked := min(programs, proposedProducts)
	latencies := make([]time.Duration, asked)
	began := time.Now()
	for i := range asked {
		start := time.Now()
		_, err := n.treatment.ProposeProducts(n.as(ctx), &treatmentv1.ProposeProductsRequest{
			Name: fmt.Sprintf("%s/programs/p-%d/steps/systemic-1", nurseryName, i+1), MixVolume: amount("20", "L"),
		})
		if err != nil {
			return fmt.Errorf("propose products: %w", err)
		}
		latencies[i] = time.Since(start)
	}
	say("propose products for a step out of %d: %.0f/s by 1 client, p50 %.1f ms, p99 %.1f ms\n", proposedProducts,
		float64(asked)/time.Since(began).Seconds(), milliseconds(percentile(latencies, 50)), milliseconds(percentile(latencies, 99)))
	return nil
}

// product is the i-th product of the measurement, with a whole label.
func product(i int) *productsv1.Product {
	return &productsv1.Product{
		DisplayName: fmt.Sprintf("Product %03d", i), RegistrationNumber: fmt.Sprintf("BENCH-%03d", i), Jurisdiction: "ZA",
		Form: productsv1.ProductForm_PRODUCT_FORM_SOLID, Formulation: productsv1.Formulation_FORMULATION_WG,
		Contents: []*productsv1.Content{{ActiveIngredient: proposedActives[i%len(proposedActives)], Amount: amount("500", "g/kg")}},
		Directions: []*productsv1.LabelDirection{{
			Method: productsv1.Method_METHOD_SPRAY, DisorderClasses: []diagnosisv1.DisorderClass{diagnosisv1.DisorderClass_DISORDER_CLASS_FUNGUS},
			RateMin: amount("0.5", "g/L"), RateMax: amount("2", "g/L"), RestrictedEntryInterval: amount("12", "h"),
			Crops: []string{"ornamentals"}, Sites: []productsv1.Site{productsv1.Site_SITE_GREENHOUSE, productsv1.Site_SITE_OUTDOOR},
			MinIntervalDays: 7, MaxApplicationsPerYear: 6, MaxApplicationsPerCropCycle: 6, ProtectiveEquipment: "gloves",
			TemperatureMax: amount("30", "Cel"), OpenBloom: productsv1.Permission_PERMISSION_FORBIDDEN,
			Chemigation: productsv1.Permission_PERMISSION_FORBIDDEN,
			SilentOn: []productsv1.LabelFact{
				productsv1.LabelFact_LABEL_FACT_WATER_VOLUME, productsv1.LabelFact_LABEL_FACT_MAX_ACTIVE_PER_YEAR,
				productsv1.LabelFact_LABEL_FACT_SALE_INTERVAL,
			},
		}},
	}
}

func amount(value, unit string) *typev1.Quantity { return &typev1.Quantity{Amount: value, Unit: unit} }
