package cli

import (
	"context"

	"github.com/spf13/cobra"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

func (a *app) recordAiring() *cobra.Command {
	request := &treatmentv1.RecordAiringRequest{Airing: &treatmentv1.Airing{}}
	airing := request.GetAiring()
	var start, end string
	cmd := a.command(text{
		use: "air HOUSE", short: "Record that a house is aired, or was",
		long: `Without --end it goes on until closures air-end. Time of which nothing is recorded
counts as shut, and so does what went on from before the next application in the
house. What was recorded wrongly is voided by a manager.`,
		example: `  velamen closures air warm --device fans --start "2026-03-01 08:10"
  velamen closures air warm --device vents --start "2026-03-01 08:10" --end "2026-03-01 12:10"`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Parent, err = a.name("HOUSE", args[0], "houses"); err != nil {
			return err
		}
		if airing.StartTime, err = a.moment(ctx, "--start", start); err != nil {
			return err
		}
		if end != "" {
			if airing.EndTime, err = a.moment(ctx, "--end", end); err != nil {
				return err
			}
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		kept, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.RecordAiring, request)
		if err != nil {
			return err
		}
		return a.showAiring(ctx, kept)
	})
	enumFlag(cmd.Flags(), &airing.Device, "device", "what airs it, or that it is shut")
	quantityFlag(cmd.Flags(), &airing.Flow, "flow", "air that the fans that run move, as in 20000m3/h (default: all fans of the house)")
	cmd.Flags().StringVar(&start, "start", "", "since when, as in \"2026-03-01 08:10\"")
	cmd.Flags().StringVar(&end, "end", "", "until when (default: it goes on)")
	return needs(cmd, "device", "start")
}

func (a *app) endAiring() *cobra.Command {
	request := &treatmentv1.EndAiringRequest{}
	var end string
	cmd := a.command(text{
		use: "air-end HOUSE/AIRING", short: "Record that an airing ended", long: "The end is written once.",
		example: `  velamen closures air-end warm/3f0c1d8e-0a51-4c0f-9a55-0d1f64f3c001 --end "2026-03-01 12:10"`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Name, err = a.name("HOUSE/AIRING", args[0], "houses", "airings"); err != nil {
			return err
		}
		if request.EndTime, err = a.moment(ctx, "--end", end); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		ended, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.EndAiring, request)
		if err != nil {
			return err
		}
		return a.showAiring(ctx, ended)
	})
	cmd.Flags().StringVar(&end, "end", "", "when, as in \"2026-03-01 12:10\"")
	return needs(cmd, "end")
}

func (a *app) voidAiring() *cobra.Command {
	request := &treatmentv1.VoidAiringRequest{}
	cmd := a.command(text{
		use: "air-void HOUSE/AIRING", short: "Say that an airing was recorded wrongly",
		long:    "It stays on record and counts no more. Managers and owners only.",
		example: `  velamen closures air-void warm/3f0c1d8e-0a51-4c0f-9a55-0d1f64f3c001 --reason "the fuse had blown"`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Name, err = a.name("HOUSE/AIRING", args[0], "houses", "airings"); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		voided, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.VoidAiring, request)
		if err != nil {
			return err
		}
		return a.showAiring(ctx, voided)
	})
	cmd.Flags().StringVar(&request.Reason, "reason", "", "why it does not count")
	return needs(cmd, "reason")
}

func (a *app) showAiring(ctx context.Context, airing *treatmentv1.Airing) error {
	return a.show(ctx, airing, func(s *sheet) {
		s.fact("Airing", airing.GetName())
		s.fact("By", word(airing.GetDevice()))
		s.fact("Since", s.when(airing.GetStartTime()))
		s.fact("Until", s.when(airing.GetEndTime()))
		s.fact("Flow", amount(airing.GetFlow()))
		s.fact("Recorded by", shortName(airing.GetRecorder()))
		s.fact("Recorded", s.when(airing.GetCreateTime()))
		if airing.GetVoidReason() != "" {
			s.fact("Voided by", shortName(airing.GetVoider()))
			s.fact("Because", airing.GetVoidReason())
		}
	})
}

func (a *app) airings() *cobra.Command {
	var limit int
	cmd := a.command(text{
		use: "airings [HOUSE]", short: "List how houses were aired", long: "Lists what is on record, the newest first.",
		example: "  velamen closures airings\n  velamen closures airings warm",
	}, func(ctx context.Context, args []string) error {
		house := "-"
		if len(args) > 0 {
			house = args[0]
		}
		parent, err := a.name("HOUSE", house, "houses")
		if err != nil {
			return err
		}
		found, err := gather(limit, func(size int32, token string) (*treatmentv1.ListAiringsResponse, error) {
			return call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.ListAirings,
				&treatmentv1.ListAiringsRequest{Parent: parent, PageSize: size, PageToken: token})
		})
		if err != nil {
			return err
		}
		return a.show(ctx, found, func(s *sheet) {
			if s.none(len(found.GetAirings()), "airings") {
				return
			}
			s.row("AIRING", "BY", "SINCE", "UNTIL", "FLOW", "RECORDED BY", "VOIDED BECAUSE")
			for _, airing := range found.GetAirings() {
				s.row(shortName(airing.GetName()), word(airing.GetDevice()), s.when(airing.GetStartTime()), s.when(airing.GetEndTime()),
					amount(airing.GetFlow()), shortName(airing.GetRecorder()), airing.GetVoidReason())
			}
			s.more(found.GetNextPageToken())
		})
	})
	limitFlag(cmd, &limit)
	return cmd
}

func (a *app) recordMeasurement() *cobra.Command {
	request := &treatmentv1.RecordAirMeasurementRequest{AirMeasurement: &treatmentv1.AirMeasurement{}}
	measured := request.GetAirMeasurement()
	var when string
	cmd := a.command(text{
		use: "measure HOUSE", short: "Record how much of a product was measured in the air of a house",
		long:    "Where a label gives a level, the house is aired when the air is measured at or below it.",
		example: `  velamen closures measure warm --application p-3-contact-1-1 --product topspray --value 0.4ppm --when "2026-03-01 12:10"`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Parent, err = a.name("HOUSE", args[0], "houses"); err != nil {
			return err
		}
		if measured.Application, err = a.name("--application", measured.GetApplication(), "applications"); err != nil {
			return err
		}
		if measured.Product, err = a.name("--product", measured.GetProduct(), "products"); err != nil {
			return err
		}
		if measured.MeasureTime, err = a.moment(ctx, "--when", when); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		kept, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.RecordAirMeasurement, request)
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, kept, func(s *sheet) {
			s.fact("Measurement", kept.GetName())
			s.fact("Application", shortName(kept.GetApplication()))
			s.fact("Product", shortName(kept.GetProduct()))
			s.fact("Measured", s.when(kept.GetMeasureTime()))
			s.fact("Value", amount(kept.GetValue()))
			s.fact("Recorded by", shortName(kept.GetRecorder()))
		})
	})
	cmd.Flags().StringVar(&measured.Application, "application", "", "the application that left it there")
	cmd.Flags().StringVar(&measured.Product, "product", "", "the product")
	quantityFlag(cmd.Flags(), &measured.Value, "value", "what was measured, as in 0.4ppm")
	cmd.Flags().StringVar(&when, "when", "", "when it was measured, as in \"2026-03-01 12:10\"")
	return needs(cmd, "application", "product", "value", "when")
}
