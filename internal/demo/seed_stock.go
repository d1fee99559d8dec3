package demo

import (
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	stockv1 "velamen/gen/velamen/stock/v1"
	typev1 "velamen/gen/velamen/type/v1"
)

const currency = "ZAR"

// importStock takes over houses, benches and the lots whose arrival nobody knows
// any more, from the files that a nursery would bring along.
func (s *seeder) importStock(ctx context.Context) error {
	stream, err := s.stock.ImportStock(s.as(ctx, s.manager().ID))
	if err != nil {
		return fmt.Errorf("import the stock: %w", err)
	}
	for i, piece := range []*stockv1.ImportStockRequest{
		{File: stockv1.StockFile_STOCK_FILE_HOUSES, Data: s.nursery.houses},
		{File: stockv1.StockFile_STOCK_FILE_BENCHES, Data: s.nursery.benches},
		{File: stockv1.StockFile_STOCK_FILE_LOTS, Data: s.nursery.lots},
	} {
		if i == 0 {
			piece.Parent, piece.RequestId = s.parent(), requestID("stock")
		}
		if err := stream.Send(piece); err != nil {
			break // the server refused; CloseAndRecv says why
		}
	}
	imported, err := stream.CloseAndRecv()
	if err != nil {
		return fmt.Errorf("import the stock: %w", err)
	}
	if problems := imported.GetProblems(); len(problems) > 0 {
		first := problems[0]
		return fmt.Errorf("import the stock: line %d of the %s, %s: %s", first.GetLine(), first.GetFile(), first.GetColumn(), first.GetRule())
	}
	s.say("  %d houses, %d benches and %d lots with %d plants, from CSV files",
		imported.GetHouses(), imported.GetBenches(), imported.GetLots(), imported.GetPlants())
	return nil
}

func (s *seeder) addDeliveries(ctx context.Context) error {
	for _, d := range s.nursery.deliveries {
		when, err := s.at(d.when)
		if err != nil {
			return fmt.Errorf("lot %s: %w", d.lot, err)
		}
		_, err = s.stock.CreateLot(s.as(ctx, s.manager().ID), &stockv1.CreateLotRequest{
			Parent: s.parent(), LotId: d.lot,
			Lot: &stockv1.Lot{
				BotanicalName: d.botanicalName, Cultivar: d.cultivar, Container: d.container,
				UnitValue: &typev1.Money{CurrencyCode: currency, Amount: d.unitValue},
				Bench:     s.bench(d.house + "/" + d.bench),
			},
			Plants: d.plants, Origin: d.kind(), Note: d.note, EventTime: timestamppb.New(when), RequestId: requestID("lots", d.lot),
		})
		if err != nil {
			return fmt.Errorf("add the lot %s: %w", d.lot, err)
		}
	}
	s.say("  %d lots that came in on days that are known", len(s.nursery.deliveries))
	return nil
}

func (d delivery) kind() stockv1.LotEventKind {
	return stockv1.LotEventKind(stockv1.LotEventKind_value["LOT_EVENT_KIND_"+strings.ToUpper(d.origin)])
}

func (s *seeder) addLotEvents(ctx context.Context) error {
	for _, event := range s.nursery.events {
		when, err := s.at(event.when)
		if err == nil {
			err = s.addLotEvent(ctx, event, when)
		}
		if err != nil {
			return fmt.Errorf("history.csv: line %d: %w", event.line, err)
		}
	}
	s.say("  %d movements, sales, disposals and splits", len(s.nursery.events))
	return nil
}

// What happens to deliveries.
const (
	eventMove    = "move"
	eventSplit   = "split"
	eventSell    = "sell"
	eventDispose = "dispose"
)

func (s *seeder) addLotEvent(ctx context.Context, event lotEvent, when time.Time) error {
	ctx = s.as(ctx, event.person)
	name, at, id := s.lot(event.lot), timestamppb.New(when), requestID("history", fmt.Sprint(event.line))
	var err error
	switch event.kind {
	case eventMove:
		_, err = s.stock.MoveLot(ctx, &stockv1.MoveLotRequest{Name: name, Bench: s.bench(event.bench), Note: event.note, EventTime: at, RequestId: id})
	case eventSplit:
		_, err = s.stock.SplitLot(ctx, &stockv1.SplitLotRequest{
			Name: name, NewLotId: event.lot + "-b", Plants: event.plants, Bench: s.bench(event.bench), Note: event.note, EventTime: at, RequestId: id,
		})
	case eventSell:
		_, err = s.stock.SellPlants(ctx, &stockv1.SellPlantsRequest{Name: name, Plants: event.plants, Note: event.note, EventTime: at, RequestId: id})
	case eventDispose:
		_, err = s.stock.DisposePlants(ctx, &stockv1.DisposePlantsRequest{Name: name, Plants: event.plants, Note: event.note, EventTime: at, RequestId: id})
	default:
		err = fmt.Errorf("%q is no event of a lot", event.kind)
	}
	return err
}
