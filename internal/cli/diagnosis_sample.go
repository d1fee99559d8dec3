package cli

import (
	"context"
	"strings"

	"github.com/spf13/cobra"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
)

func (a *app) sampleCommand() *cobra.Command {
	return group("sample", "Samples that were put to a test",
		"A sample is sent, received and reported; its result is weighed by velamen diagnosis assess, and a person may rest a diagnosis on it.",
		a.sampleSend(), a.sampleReceive(), a.sampleResult(), a.sampleGet(), a.sampleList())
}

func (a *app) sampleSend() *cobra.Command {
	request := &diagnosisv1.CreateSampleRequest{Sample: &diagnosisv1.Sample{}}
	var when string
	cmd := a.command(text{
		use: "send INSPECTION", short: "Record that a sample was sent, or a test begun",
		long: `Records a sample of the plants of an inspection: which test it is for, how many
plants and which organs it was taken from, and who tests it.`,
		example: `  velamen diagnosis sample send 0199b1f2-0000-7000-8000-000000000001 \
    --test oomycete-strip --plants 3 --organ leaf --laboratory ourselves`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.Sample.Inspection, err = a.name("INSPECTION", args[0], "inspections"); err != nil {
			return err
		}
		if request.Sample.SendTime, err = a.moment(ctx, "--when", when); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		sample, err := call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.CreateSample, request)
		if err != nil {
			return err
		}
		return a.showSample(ctx, sample)
	})
	flags := cmd.Flags()
	flags.StringVar(&request.Sample.Test, "test", "", "the test, from velamen diagnosis test list")
	flags.Int64Var(&request.Sample.Plants, "plants", 0, "plants it was taken from")
	enumsFlag(flags, &request.Sample.Organs, "organ", "organs it was taken from")
	flags.StringVar(&request.Sample.Laboratory, "laboratory", "", "who tests it")
	flags.StringVar(&request.Sample.Reference, "reference", "", "the laboratory's own number")
	flags.StringVar(&request.Sample.Note, "note", "", "anything else")
	flags.StringVar(&when, "when", "", `when it was sent (default: now), as in "2026-03-01 10:00"`)
	return needs(cmd, "test", "plants", "laboratory")
}

func (a *app) sampleReceive() *cobra.Command {
	request := &diagnosisv1.ReceiveSampleRequest{}
	var when string
	cmd := a.command(text{
		use: "receive SAMPLE", short: "Record that the laboratory has a sample", long: "Records when the laboratory had the sample, and its number.",
		example: `  velamen diagnosis sample receive 0199b1f2-0000-7000-8000-000000000003 --reference L-2026-17`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Name, err = a.name("SAMPLE", args[0], "samples"); err != nil {
			return err
		}
		if request.ReceiveTime, err = a.moment(ctx, "--when", when); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		sample, err := call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.ReceiveSample, request)
		if err != nil {
			return err
		}
		return a.showSample(ctx, sample)
	})
	cmd.Flags().StringVar(&request.Reference, "reference", "", "the laboratory's own number")
	cmd.Flags().StringVar(&when, "when", "", `when it was received (default: now), as in "2026-03-01 10:00"`)
	return cmd
}

func (a *app) sampleResult() *cobra.Command {
	request := &diagnosisv1.RecordSampleResultRequest{}
	var when string
	cmd := a.command(text{
		use: "result SAMPLE", short: "Record what a test found",
		long: `Records what the test found. A result is entered once; to correct it, send a new
sample that names the first in its note. Advisers, managers and owners only.`,
		example: `  velamen diagnosis sample result 0199b1f2-0000-7000-8000-000000000003 \
    --outcome positive --disorder black-rot --report "Phytophthora, two of three leaves"`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Name, err = a.name("SAMPLE", args[0], "samples"); err != nil {
			return err
		}
		if request.ReportTime, err = a.moment(ctx, "--when", when); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		sample, err := call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.RecordSampleResult, request)
		if err != nil {
			return err
		}
		return a.showSample(ctx, sample)
	})
	flags := cmd.Flags()
	enumFlag(flags, &request.Outcome, "outcome", "what the test found")
	flags.StringVar(&request.Disorder, "disorder", "", "the disorder that the laboratory named, when it named one")
	flags.StringVar(&request.Report, "report", "", "the report in the laboratory's words")
	flags.StringVar(&when, "when", "", `when the result was there (default: now), as in "2026-03-01 10:00"`)
	return needs(cmd, "outcome")
}

func (a *app) sampleGet() *cobra.Command {
	return a.command(text{
		use: "get SAMPLE", short: "Show one sample", long: "Shows one sample with its result.",
		example: "  velamen diagnosis sample get 0199b1f2-0000-7000-8000-000000000003",
	}, func(ctx context.Context, args []string) error {
		name, err := a.name("SAMPLE", args[0], "samples")
		if err != nil {
			return err
		}
		sample, err := call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.GetSample, &diagnosisv1.GetSampleRequest{Name: name})
		if err != nil {
			return err
		}
		return a.showSample(ctx, sample)
	})
}

func (a *app) showSample(ctx context.Context, sample *diagnosisv1.Sample) error {
	return a.showWithCaution(ctx, sample, func(s *sheet) {
		s.fact("Sample", shortName(sample.GetName()))
		s.fact("State", word(sample.GetState()))
		s.fact("Inspection", shortName(sample.GetInspection()))
		s.fact("Test", sample.GetTest())
		s.fact("Plants", sample.GetPlants())
		s.fact("Organs", wordsOf(sample.GetOrgans()))
		s.fact("Laboratory", sample.GetLaboratory())
		s.fact("Reference", sample.GetReference())
		s.fact("Sent", strings.TrimSpace(s.when(sample.GetSendTime())+" by "+shortName(sample.GetSender())))
		s.fact("Received", s.when(sample.GetReceiveTime()))
		s.fact("Outcome", word(sample.GetOutcome()))
		s.fact("Disorder", sample.GetDisorder())
		s.fact("Report", sample.GetReport())
		s.fact("Reported", s.when(sample.GetReportTime()))
		s.fact("Entered by", shortName(sample.GetReporter()))
		s.fact("Note", sample.GetNote())
	})
}

func (a *app) sampleList() *cobra.Command {
	var limit int
	var inspection string
	cmd := a.command(text{
		use: "list", short: "List the samples", long: "Lists samples, newest first.",
		example: "  velamen diagnosis sample list --inspection 0199b1f2-0000-7000-8000-000000000001",
	}, func(ctx context.Context, _ []string) (err error) {
		request := &diagnosisv1.ListSamplesRequest{}
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.Inspection, err = a.optionalName("--inspection", inspection, "inspections"); err != nil {
			return err
		}
		samples, err := gather(limit, func(size int32, token string) (*diagnosisv1.ListSamplesResponse, error) {
			request.PageSize, request.PageToken = size, token
			return call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.ListSamples, request)
		})
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, samples, func(s *sheet) {
			if s.none(len(samples.GetSamples()), "samples") {
				return
			}
			s.row("SAMPLE", "TEST", "STATE", "SENT", "LABORATORY", "OUTCOME", "DISORDER")
			for _, sample := range samples.GetSamples() {
				s.row(shortName(sample.GetName()), sample.GetTest(), word(sample.GetState()), s.when(sample.GetSendTime()),
					sample.GetLaboratory(), word(sample.GetOutcome()), sample.GetDisorder())
			}
			s.more(samples.GetNextPageToken())
		})
	})
	cmd.Flags().StringVar(&inspection, "inspection", "", "only those of this inspection")
	limitFlag(cmd, &limit)
	return cmd
}
