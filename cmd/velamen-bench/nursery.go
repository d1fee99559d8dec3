package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/google/uuid"
	"google.golang.org/grpc/metadata"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	identityv1 "velamen/gen/velamen/identity/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

// nursery is the nursery that is measured, seen by its owner.
type nursery struct {
	server    *server
	token     string
	diagnosis string
	stock     stockv1.StockServiceClient
	treatment treatmentv1.TreatmentServiceClient
}

const (
	nurseryName = "nurseries/bench"
	password    = "measured on loopback"
)

func setUp(ctx context.Context, s *server) (*nursery, error) {
	key, err := s.setupKey()
	if err != nil {
		return nil, err
	}
	identity := identityv1.NewIdentityServiceClient(s.conn)
	_, err = identity.SetUpNursery(ctx, &identityv1.SetUpNurseryRequest{
		NurseryId: "bench", OwnerId: "owner", OwnerDisplayName: "Owner", OwnerPassword: password, SetupKey: key, RequestId: uuid.NewString(),
		Nursery: &identityv1.Nursery{DisplayName: "Bench", TimeZone: "Africa/Johannesburg", Jurisdiction: "ZA"},
	})
	if err != nil {
		return nil, fmt.Errorf("set the nursery up: %w", err)
	}
	signedIn, err := identity.SignIn(ctx, &identityv1.SignInRequest{Person: nurseryName + "/people/owner", Password: password})
	if err != nil {
		return nil, fmt.Errorf("sign in: %w", err)
	}
	return &nursery{
		server: s, token: signedIn.GetToken(),
		stock: stockv1.NewStockServiceClient(s.conn), treatment: treatmentv1.NewTreatmentServiceClient(s.conn),
	}, nil
}

// as returns a context in which calls are made by the owner.
func (n *nursery) as(ctx context.Context) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+n.token)
}

// imported imports a house, benches and lots and returns when it is stored.
func (n *nursery) imported(ctx context.Context, lots int) error {
	stream, err := n.stock.ImportStock(n.as(ctx))
	if err != nil {
		return err
	}
	first := true
	for _, file := range stockFiles(lots) {
		for piece := range pieces(file.text) {
			request := &stockv1.ImportStockRequest{File: file.kind, Data: []byte(piece)}
			if first {
				request.Parent, request.RequestId, first = nurseryName, uuid.NewString(), false
			}
			if err := stream.Send(request); err != nil {
				return fmt.Errorf("import: %w", err)
			}
		}
	}
	response, err := stream.CloseAndRecv()
	if err != nil {
		return fmt.Errorf("import: %w", err)
	}
	if response.GetProblemCount() > 0 {
		return fmt.Errorf("import: line %d: %s", response.GetProblems()[0].GetLine(), response.GetProblems()[0].GetRule())
	}
	return nil
}

type stockFile struct {
	kind stockv1.StockFile
	text string
}

// pieceSize is the size of a message of an import.
const pieceSize = 512 << 10

func pieces(text string) func(func(string) bool) {
	return func(yield func(string) bool) {
		for len(text) > 0 {
			size := min(pieceSize, len(text))
			if !yield(text[:size]) {
				return
			}
			text = text[size:]
		}
	}
}

// lotsPerBench is how many lots stand on one bench.
const lotsPerBench = 100

func stockFiles(lots int) []stockFile {
	var benches, rows strings.Builder
	benches.WriteString("house,bench,display_name,area_m2,isolation\nh1,iso,Isolation,12,true\n")
	rows.WriteString("lot,botanical_name,container,house,bench,plants\n")
	for i := range lots {
		if i%lotsPerBench == 0 {
			fmt.Fprintf(&benches, "h1,b%d,Bench %d,12,false\n", i/lotsPerBench, i/lotsPerBench)
		}
		fmt.Fprintf(&rows, "l-%d,Phalaenopsis amabilis,12 cm pot,h1,b%d,40\n", i, i/lotsPerBench)
	}
	return []stockFile{
		{stockv1.StockFile_STOCK_FILE_HOUSES, "house,display_name,area,area_unit\nh1,House 1,4000,m2\n"},
		{stockv1.StockFile_STOCK_FILE_BENCHES, benches.String()},
		{stockv1.StockFile_STOCK_FILE_LOTS, rows.String()},
	}
}

// diagnose records one inspection and its diagnosis, on which all cases rest.
func (n *nursery) diagnose(ctx context.Context) error {
	service := diagnosisv1.NewDiagnosisServiceClient(n.server.conn)
	inspection, err := service.CreateInspection(n.as(ctx), &diagnosisv1.CreateInspectionRequest{Parent: nurseryName, RequestId: uuid.NewString(),
		Inspection: &diagnosisv1.Inspection{Target: lotName(0), PlantsSampled: 40, PlantsAffected: 8}})
	if err != nil {
		return err
	}
	diagnosed, err := service.ConfirmDiagnosis(n.as(ctx), &diagnosisv1.ConfirmDiagnosisRequest{Parent: nurseryName, RequestId: uuid.NewString(),
		Diagnosis: &diagnosisv1.Diagnosis{Inspections: []string{inspection.GetName()}, Disorder: "phyllosticta-leaf-spot", Grounds: "measured"}})
	n.diagnosis = diagnosed.GetName()
	return err
}

func lotName(i int) string { return fmt.Sprintf("%s/lots/l-%d", nurseryName, i) }

// open opens a case for a lot.
func (n *nursery) open(ctx context.Context, i int) (string, error) {
	opened, err := n.treatment.CreateCase(n.as(ctx), &treatmentv1.CreateCaseRequest{Parent: nurseryName, RequestId: uuid.NewString(),
		Case: &treatmentv1.Case{Diagnosis: n.diagnosis, Lots: []string{lotName(i)}}})
	return opened.GetName(), err
}

// start starts the program of a case.
func (n *nursery) start(ctx context.Context, opened string) (string, error) {
	program, err := n.treatment.CreateProgram(n.as(ctx), &treatmentv1.CreateProgramRequest{Parent: nurseryName, RequestId: uuid.NewString(),
		Case: opened, Template: nurseryName + "/templates/leaf-spots"})
	return program.GetName(), err
}
