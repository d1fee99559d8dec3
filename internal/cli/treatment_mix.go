package cli

import (
	"context"
	"io"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

func (a *app) mixCalculate() *cobra.Command {
	request := &treatmentv1.CalculateMixRequest{}
	bath := &treatmentv1.BathPlan{}
	cmd := a.command(text{
		use: "mix", short: "Print a mix sheet: what to measure out for each load",
		long: `Works out what to measure out for each tank load, stock solution or bath, exactly and
never above what the labels allow, and prints it as a sheet to mix by. How much mix
it takes is --volume, or comes from --area or --plants and the water rate. With
--measure each load can be measured with the jugs and scales at hand.

A product without a rate is used at the highest that its label gives. Rates are in
the units of labels, metric or US, as in 1.2g/L, 1.5floz/100gal, 2lb/acre, 0.5% or
150ppm. ` + Caution,
		example: `  velamen treatment mix --method spray --disorder powdery-mildew --product topspray=1.2g/L --area 200m2 --water-rate 0.2L/m2 \
    --tank 15L --tank-minimum 1L --measure "scales=2kg/1g" --measure "jug=1L/10mL"
  velamen treatment mix --method spray --disorder grey-mould --product "copperflow=1.5 fl oz/100 gal" --volume 60gal --tank 25gal
  velamen treatment mix --method drench --disorder black-rot --product rootguard --plants 240 --water-rate 100mL/pot --injector 100
  velamen treatment mix --method bath --disorder fusarium-wilt --product topspray --bath-volume 60L --carry-out 60mL \
    --top-up-at 20% --discard-after-plants 400 --discard-after 12h`,
	}, func(ctx context.Context, _ []string) (err error) {
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		for _, product := range request.GetProducts() {
			if product.Product, err = a.name("--product", product.GetProduct(), "products"); err != nil {
				return err
			}
		}
		if proto.Size(bath) > 0 {
			request.Bath = bath
		}
		mix, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.CalculateMix, request)
		if err != nil {
			return err
		}
		if a.flags.json {
			return a.showJSON(mix)
		}
		_, err = io.WriteString(a.Out, mix.GetText())
		return err
	})
	mixFlags(cmd, request)
	bathFlags(cmd, bath)
	cmd.MarkFlagsOneRequired("area", "plants", "volume", "bath-volume")
	cmd.MarkFlagsRequiredTogether("bath-volume", "carry-out")
	return needs(cmd, "method", "disorder", "product")
}

func mixFlags(cmd *cobra.Command, request *treatmentv1.CalculateMixRequest) {
	flags := cmd.Flags()
	eachFlag(flags, &request.Products, parseMixProduct, "product[=rate]", "product", "product of the mix, as in topspray or topspray=1.2g/L")
	enumFlag(flags, &request.Method, "method", "how it is applied")
	disorderFlag(flags, &request.Disorder)
	quantityFlag(flags, &request.Area, "area", "area to treat, as in 200m2 or 900ft2")
	flags.Int64Var(&request.Plants, "plants", 0, "pots or plants to treat")
	quantityFlag(flags, &request.WaterRate, "water-rate", "water, as in 0.2L/m2, 100mL/pot or 2gal/100ft2 (default: the least of the labels)")
	quantityFlag(flags, &request.Volume, "volume", "volume of mix, as in 20L or 5gal")
	quantityFlag(flags, &request.TankVolume, "tank", "volume of the sprayer's tank, as in 15L (default: one load)")
	quantityFlag(flags, &request.TankMinimum, "tank-minimum", "the least that its pump draws from, as in 1L")
	eachFlag(flags, &request.Measures, parseMeasure, "name=most/smallest", "measure",
		"jug, syringe or scales with what it holds and its smallest graduation, as in jug=1L/10mL")
	flags.Int32Var(&request.InjectorPartsWater, "injector", 0, "for an injector of 1:N: its parts of water, as in 100")
}

func bathFlags(cmd *cobra.Command, bath *treatmentv1.BathPlan) {
	flags := cmd.Flags()
	quantityFlag(flags, &bath.Volume, "bath-volume", "volume of the bath, as in 60L")
	quantityFlag(flags, &bath.CarryOutPerPlant, "carry-out", "what one plant carries out of the bath, as in 60mL or 2floz")
	quantityFlag(flags, &bath.TopUpAt, "top-up-at", "top the bath up when it has lost this share, as in 20%")
	flags.Int64Var(&bath.DiscardAfterPlants, "discard-after-plants", 0, "discard the bath after so many plants")
	quantityFlag(flags, &bath.DiscardAfter, "discard-after", "discard the bath after so long, as in 12h (default: 24h)")
}

func (a *app) sprayerCalibrate() *cobra.Command {
	request := &treatmentv1.CalibrateSprayerRequest{}
	var way course
	cmd := a.command(text{
		use: "calibrate", short: "Work out a sprayer's output from a catch test",
		long: `Works out what a sprayer puts out, in litres per hectare and gallons per acre, from
what each nozzle gave in a measured time, the speed and the width treated. It says
which nozzles are worn out. Catch clean water, at the pressure of the work. ` + Caution,
		example: `  velamen treatment calibrate --caught 450mL/30s --caught 460mL/30s --swath 1.5m --speed 5km/h --new-nozzle 0.9L/min
  velamen treatment calibrate --caught "15 fl oz/30 s" --swath 60in --course 150ft/36s`,
	}, func(ctx context.Context, _ []string) (err error) {
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		request.CourseLength, request.CourseDuration = way.length, way.duration
		output, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.CalibrateSprayer, request)
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, output, func(s *sheet) { s.calibration(output) })
	})
	flags := cmd.Flags()
	eachFlag(flags, &request.Nozzles, parseCatch, "caught/time", "caught", "what one nozzle gave and in which time, as in 450mL/30s")
	quantityFlag(flags, &request.Swath, "swath", "width that all nozzles treat together, as in 1.5m or 60in")
	quantityFlag(flags, &request.Speed, "speed", "speed, as in 5km/h or 3mi/h")
	flags.Var(&parsed{kind: "length/time", parse: func(typed string) (err error) {
		way, err = parseCourse(typed)
		return err
	}}, "course", "a measured course and the time for it instead of the speed, as in 50m/36s")
	quantityFlag(flags, &request.NewNozzleOutput, "new-nozzle", "what a new nozzle gives, as in 0.9L/min")
	cmd.MarkFlagsOneRequired("speed", "course")
	cmd.MarkFlagsMutuallyExclusive("speed", "course")
	return needs(cmd, "caught", "swath")
}

func (s *sheet) calibration(output *treatmentv1.CalibrateSprayerResponse) {
	s.fact("Output of all nozzles", amount(output.GetOutput()))
	s.fact("Speed", amount(output.GetSpeed()))
	s.fact("Volume rate", amount(output.GetVolumeRate())+" ("+amount(output.GetVolumeRateUs())+")")
	s.fact("Sources", strings.Join(output.GetSources(), "\n"))
	s.line("")
	s.row("NOZZLE", "OUTPUT", "REPLACE", "WHY")
	for _, nozzle := range output.GetNozzles() {
		s.row(nozzle.GetNumber(), amount(nozzle.GetOutput()), yes(nozzle.GetReplace()), nozzle.GetMessage())
	}
	if output.GetReplaceSet() {
		s.line("")
		s.line("Replace the whole set of nozzles.")
	}
}
