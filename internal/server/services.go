package server

import (
	"log/slog"

	"go.temporal.io/sdk/client"
	"go.temporal.io/sdk/worker"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	identityv1 "velamen/gen/velamen/identity/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	recordsv1 "velamen/gen/velamen/records/v1"
	schedulev1 "velamen/gen/velamen/schedule/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/postgres"
	"velamen/internal/rpc"
	"velamen/services/diagnosis"
	"velamen/services/identity"
	"velamen/services/products"
	"velamen/services/records"
	"velamen/services/schedule"
	"velamen/services/stock"
	"velamen/services/treatment"
)

// services are all services on one database and one Temporal server.
type services struct {
	identity  *identity.Service
	stock     *stock.Service
	diagnosis *diagnosis.Service
	products  *products.Service
	treatment *treatment.Service
	schedule  *schedule.Service
	records   *records.Service
	outbox    *postgres.Outbox
	// workers run the programs, the planners and the searches of plans.
	workers []worker.Worker
}

// join makes the services and ties them together: each reads those to its left,
// and what travels back goes through the outbox.
func join(db *postgres.DB, temporal client.Client, logger *slog.Logger, photoFolder, setupKey string, signingKey *records.SigningKey) *services {
	outbox := postgres.NewOutbox(db, logger, stock.Consumer(), products.Consumer(), records.Consumer(db), treatment.Relay(temporal),
		schedule.AssignmentConsumer(db), schedule.Relay(temporal, db))
	return &services{
		identity:  identity.New(db, setupKey),
		stock:     stock.New(db),
		diagnosis: diagnosis.New(db, photoFolder, outbox),
		products:  products.New(db),
		treatment: treatment.New(db, outbox),
		schedule:  schedule.New(db, outbox),
		records:   records.NewSigning(db, signingKey),
		outbox:    outbox,
		workers: append([]worker.Worker{treatment.NewWorker(temporal, db)},
			schedule.NewWorkers(temporal, schedule.NewActivities(db, outbox, logger))...),
	}
}

func (s *services) register(server *rpc.Server) {
	identityv1.RegisterIdentityServiceServer(server, s.identity)
	stockv1.RegisterStockServiceServer(server, s.stock)
	diagnosisv1.RegisterDiagnosisServiceServer(server, s.diagnosis)
	productsv1.RegisterProductsServiceServer(server, s.products)
	treatmentv1.RegisterTreatmentServiceServer(server, s.treatment)
	schedulev1.RegisterScheduleServiceServer(server, s.schedule)
	recordsv1.RegisterRecordsServiceServer(server, s.records)
}
