package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
)

func (a *app) diagnosisCommand() *cobra.Command {
	return group("diagnosis", "Inspections, and the diagnoses that people confirm",
		"What was seen on plants and what a person concluded from it. "+Caution,
		a.signs(), a.disorders(), a.disorder(), a.inspect(), a.diagnosisAssess(),
		group("inspection", "Inspections", "What one person saw on one lot or bench at one time.", a.inspectionList(), a.inspectionGet()),
		group("photo", "Photos of an inspection", "Photos are kept as files beside the database, without where and with what they were taken; the same photo is kept once.", a.photoAdd(), a.photoSave()),
		a.diagnosisConfirm(), a.diagnosisList(), a.diagnosisGet(),
		a.sampleCommand(), group("test", "Tests that confirm disorders", "What tests there are and how far each can be trusted.", a.testList()),
		a.dutyCommand(), group("pest", "Pests that the law names", "Regulated pests by jurisdiction, each with its source.", a.pestList()),
		a.climateCommand(), a.risk(), a.modelCommand())
}

func (a *app) disorders() *cobra.Command {
	return a.command(text{
		use: "disorders", short: "List the disorders that can be diagnosed",
		long:    "Lists the disorders with their cause and how each is confirmed.",
		example: "  velamen diagnosis disorders",
	}, func(ctx context.Context, _ []string) error {
		disorders, err := call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.ListDisorders, &diagnosisv1.ListDisordersRequest{})
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, disorders, func(s *sheet) {
			s.row("DISORDER", "NAME", "CLASS", "CAUSES", "CONFIRMED BY")
			for _, disorder := range disorders.GetDisorders() {
				s.row(disorder.GetId(), disorder.GetDisplayName(), word(disorder.GetDisorderClass()),
					strings.Join(disorder.GetCauses(), ", "), disorder.GetConfirmation())
			}
		})
	})
}

// target is the lot or bench that an inspection looks at.
type target struct{ lot, bench string }

func (t *target) flags(cmd *cobra.Command) {
	cmd.Flags().StringVar(&t.lot, "lot", "", "the LOT")
	cmd.Flags().StringVar(&t.bench, "bench", "", "the HOUSE/BENCH")
	cmd.MarkFlagsMutuallyExclusive("lot", "bench")
}

func (a *app) target(t target) (string, error) {
	if t.lot != "" {
		return a.name("--lot", t.lot, "lots")
	}
	return a.optionalName("--bench", t.bench, "houses", "benches")
}

func (a *app) inspect() *cobra.Command {
	request := &diagnosisv1.CreateInspectionRequest{Inspection: &diagnosisv1.Inspection{}}
	var looked target
	var when string
	cmd := a.command(text{
		use: "inspect", short: "Record what was seen on a lot or a bench",
		long: `Records an inspection: how many plants were looked at, how many had signs, and
which signs were there or not, as ORGAN:SIGN or ORGAN:SIGN=absent. A sign that was
not looked for is left out: unknown is not absent.`,
		example: `  velamen diagnosis inspect --lot l-0001 --sampled 40 --affected 3 \
    --sign stem:ring-in-cut-face --sign leaf:concentric-rings=absent --note "near the door"`,
	}, func(ctx context.Context, _ []string) (err error) {
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.Inspection.Target, err = a.target(looked); err != nil {
			return err
		}
		if request.Inspection.InspectTime, err = a.moment(ctx, "--when", when); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		inspection, err := call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.CreateInspection, request)
		if err != nil {
			return err
		}
		return a.showInspection(ctx, inspection)
	})
	flags := cmd.Flags()
	looked.flags(cmd)
	flags.Int64Var(&request.Inspection.PlantsSampled, "sampled", 0, "plants looked at")
	flags.Int64Var(&request.Inspection.PlantsAffected, "affected", 0, "plants with signs")
	flags.Int32Var(&request.Inspection.SeverityPercent, "severity", 0, "area of the affected organs that shows signs, percent")
	flags.Var(&parsed{kind: "organ:sign", parse: func(typed string) error {
		observation, err := parseObservation(typed)
		request.Inspection.Observations = append(request.Inspection.Observations, observation)
		return err
	}}, "sign", "sign that was seen, as ORGAN:SIGN, or looked for in vain, as ORGAN:SIGN=absent (may be repeated)")
	flags.StringVar(&request.Inspection.Note, "note", "", "anything else")
	flags.StringVar(&when, "when", "", `when it was done (default: now), as in "2026-03-01 10:00"`)
	cmd.MarkFlagsOneRequired("lot", "bench")
	return needs(cmd, "sampled")
}

// parseObservation reads "stem:ring-in-cut-face" or "leaf:spots=absent".
func parseObservation(typed string) (*diagnosisv1.Observation, error) {
	organ, rest, found := strings.Cut(typed, ":")
	sign, presence, said := strings.Cut(rest, "=")
	if !found || sign == "" {
		return nil, fmt.Errorf("%q is not an observation; write it as in stem:ring-in-cut-face", typed)
	}
	observation := &diagnosisv1.Observation{Sign: sign, Presence: diagnosisv1.Presence_PRESENCE_OBSERVED}
	var err error
	if observation.Organ, err = enumOf[diagnosisv1.Organ](organ); err != nil {
		return nil, err
	}
	if said {
		observation.Presence, err = enumOf[diagnosisv1.Presence](presence)
	}
	return observation, err
}

func (a *app) showInspection(ctx context.Context, inspection *diagnosisv1.Inspection) error {
	return a.show(ctx, inspection, func(s *sheet) {
		s.fact("Inspection", shortName(inspection.GetName()))
		s.fact("Of", shortName(inspection.GetTarget()))
		s.fact("When", s.when(inspection.GetInspectTime()))
		s.fact("By", shortName(inspection.GetInspector()))
		s.fact("Plants looked at", inspection.GetPlantsSampled())
		s.fact("Plants with signs", inspection.GetPlantsAffected())
		if inspection.GetSeverityPercent() > 0 || inspection.GetPlantsAffected() > 0 {
			s.fact("Severity", fmt.Sprintf("%d %%", inspection.GetSeverityPercent()))
		}
		for _, observation := range inspection.GetObservations() {
			s.fact("Sign", strings.TrimSpace(fmt.Sprintf("%s on %s: %s %s", observation.GetSign(), word(observation.GetOrgan()),
				word(observation.GetPresence()), observation.GetNote())))
		}
		s.fact("Note", inspection.GetNote())
		for _, photo := range inspection.GetPhotos() {
			s.fact("Photo", strings.TrimSpace(fmt.Sprintf("%s (%s, %d bytes) %s",
				shortName(photo.GetName()), photo.GetMediaType(), photo.GetSizeBytes(), shownSigns(photo))))
		}
	})
}

func (a *app) inspectionList() *cobra.Command {
	var limit int
	var looked target
	cmd := a.command(text{
		use: "list", short: "List the inspections", long: "Lists inspections, newest first.",
		example: "  velamen diagnosis inspection list --lot l-0001",
	}, func(ctx context.Context, _ []string) (err error) {
		request := &diagnosisv1.ListInspectionsRequest{}
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.Target, err = a.target(looked); err != nil {
			return err
		}
		inspections, err := gather(limit, func(size int32, token string) (*diagnosisv1.ListInspectionsResponse, error) {
			request.PageSize, request.PageToken = size, token
			return call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.ListInspections, request)
		})
		if err != nil {
			return err
		}
		return a.show(ctx, inspections, func(s *sheet) {
			if s.none(len(inspections.GetInspections()), "inspections") {
				return
			}
			s.row("INSPECTION", "OF", "WHEN", "BY", "LOOKED AT", "WITH SIGNS", "PHOTOS")
			for _, inspection := range inspections.GetInspections() {
				s.row(shortName(inspection.GetName()), shortName(inspection.GetTarget()), s.when(inspection.GetInspectTime()),
					shortName(inspection.GetInspector()), inspection.GetPlantsSampled(), inspection.GetPlantsAffected(), len(inspection.GetPhotos()))
			}
			s.more(inspections.GetNextPageToken())
		})
	})
	looked.flags(cmd)
	limitFlag(cmd, &limit)
	return cmd
}

func (a *app) inspectionGet() *cobra.Command {
	return a.command(text{
		use: "get INSPECTION", short: "Show one inspection", long: "Shows one inspection with its signs and photos.",
		example: "  velamen diagnosis inspection get 0199b1f2-0000-7000-8000-000000000001",
	}, func(ctx context.Context, args []string) error {
		name, err := a.name("INSPECTION", args[0], "inspections")
		if err != nil {
			return err
		}
		inspection, err := call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.GetInspection,
			&diagnosisv1.GetInspectionRequest{Name: name})
		if err != nil {
			return err
		}
		return a.showInspection(ctx, inspection)
	})
}

func (a *app) photoAdd() *cobra.Command {
	first := &diagnosisv1.UploadPhotoRequest{}
	cmd := a.command(text{
		use: "add INSPECTION FILE", short: "Add a photo to an inspection",
		long: `Adds a JPEG, PNG or WebP of at most 20 MiB and 50 megapixels. What it does not show,
such as where it was taken, is not kept. "-" reads it from standard input.`,
		example: "  velamen diagnosis photo add 0199b1f2-0000-7000-8000-000000000001 cut.jpg --shows stem:ring-in-cut-face",
	}, func(ctx context.Context, args []string) (err error) {
		if first.Parent, err = a.name("INSPECTION", args[0], "inspections"); err != nil {
			return err
		}
		photo, err := a.uploadPhoto(ctx, first, args[1])
		if err != nil {
			return err
		}
		return a.show(ctx, photo, func(s *sheet) {
			s.fact("Photo", shortName(photo.GetName()))
			s.fact("Type", photo.GetMediaType())
			s.fact("Size", fmt.Sprintf("%d bytes, %d by %d pixels", photo.GetSizeBytes(), photo.GetWidth(), photo.GetHeight()))
			s.fact("Shows", shownSigns(photo))
		})
	})
	cmd.Flags().Var(&parsed{kind: "organ:sign", parse: func(typed string) error {
		shown, err := parseObservation(typed)
		if err != nil {
			return err
		}
		if shown.GetPresence() != diagnosisv1.Presence_PRESENCE_OBSERVED {
			return fmt.Errorf("%q: a photo shows only what is there", typed)
		}
		first.Shows = append(first.Shows, &diagnosisv1.PhotoSign{Organ: shown.GetOrgan(), Sign: shown.GetSign()})
		return nil
	}}, "shows", "observation of the inspection that it shows, as ORGAN:SIGN (may be repeated)")
	return cmd
}

// shownSigns lists what a photo shows; empty for the plants as a whole.
func shownSigns(photo *diagnosisv1.Photo) string {
	var signs []string
	for _, shown := range photo.GetShows() {
		signs = append(signs, shown.GetSign()+" on "+word(shown.GetOrgan()))
	}
	return strings.Join(signs, ", ")
}

// uploadPhoto sends a file; first is the first message without its bytes.
func (a *app) uploadPhoto(ctx context.Context, first *diagnosisv1.UploadPhotoRequest, file string) (*diagnosisv1.Photo, error) {
	return upload(ctx, a, file, diagnosisv1.DiagnosisServiceClient.UploadPhoto, first,
		func(next *diagnosisv1.UploadPhotoRequest, piece []byte) { next.Data = piece })
}

// upload sends a file to the diagnosis service, piece by piece. open begins the
// stream, first is its first message without the bytes that fill puts into each.
func upload[Request, Answer any](
	ctx context.Context, a *app, file string,
	open func(diagnosisv1.DiagnosisServiceClient, context.Context, ...grpc.CallOption) (grpc.ClientStreamingClient[Request, Answer], error),
	first *Request, fill func(*Request, []byte),
) (_ *Answer, err error) {
	source, err := a.open("FILE", file)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, source.Close()) }()
	conn, err := a.client()
	if err != nil {
		return nil, err
	}
	if ctx, err = a.signedIn(ctx); err != nil {
		return nil, err
	}
	stream, err := open(diagnosisv1.NewDiagnosisServiceClient(conn), ctx)
	if err != nil {
		return nil, err
	}
	next := first
	err = pieces(source, func(piece []byte) error {
		fill(next, piece)
		err := stream.Send(next)
		next = new(Request)
		return err
	})
	// EOF means that the server ended the stream; its answer says why.
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	return stream.CloseAndRecv()
}

func (a *app) photoSave() *cobra.Command {
	var file string
	var thumbnail bool
	cmd := a.command(text{
		use: "save INSPECTION/PHOTO", short: "Save a photo as a file",
		long: `Saves a photo as a new file; "-" writes it to standard output. Of the PHOTO its first
8 characters are enough where no other photo of the inspection begins with them.`,
		example: `  velamen diagnosis photo save 0199b1f2-0000-7000-8000-000000000001/9f86d081 --to cut.jpg
  velamen diagnosis photo save 0199b1f2-0000-7000-8000-000000000001/9f86d081 --thumbnail --to small.jpg`,
	}, func(ctx context.Context, args []string) error {
		name, err := a.name("PHOTO", args[0], "inspections", "photos")
		if err != nil {
			return err
		}
		if name, err = a.wholePhoto(ctx, name); err != nil {
			return err
		}
		stream, err := call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.DownloadPhoto,
			&diagnosisv1.DownloadPhotoRequest{Name: name, Thumbnail: thumbnail})
		if err != nil {
			return err
		}
		return a.writeFile("--to", file, func() ([]byte, error) {
			piece, err := stream.Recv()
			return piece.GetData(), err
		})
	})
	cmd.Flags().StringVar(&file, "to", "", "the file")
	cmd.Flags().BoolVar(&thumbnail, "thumbnail", false, "save a small JPEG of it")
	return needs(cmd, "to")
}

// beginningOfPhoto is what a photo may be called for short: its id is a SHA-256 in
// hexadecimal, 64 digits.
var beginningOfPhoto = regexp.MustCompile(`^[0-9a-f]{8,63}$`)

// wholePhoto finds the photo of an inspection whose id begins as the one that was
// named. Other names stay as they are.
func (a *app) wholePhoto(ctx context.Context, name string) (string, error) {
	parent, id, _ := strings.Cut(name, "/photos/")
	if !beginningOfPhoto.MatchString(id) {
		return name, nil
	}
	inspection, err := call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.GetInspection,
		&diagnosisv1.GetInspectionRequest{Name: parent})
	if err != nil {
		return "", err
	}
	var found []string
	for _, photo := range inspection.GetPhotos() {
		if strings.HasPrefix(photo.GetName(), name) {
			found = append(found, photo.GetName())
		}
	}
	switch len(found) {
	case 0:
		return "", usagef("PHOTO %q: no photo of inspection %s begins with it", id, shortName(parent))
	case 1:
		return found[0], nil
	default:
		return "", usagef("PHOTO %q: %d photos of the inspection begin with it: %s", id, len(found), shortNames(found))
	}
}

func (a *app) diagnosisConfirm() *cobra.Command {
	request := &diagnosisv1.ConfirmDiagnosisRequest{Diagnosis: &diagnosisv1.Diagnosis{}}
	var when string
	cmd := a.command(text{
		use: "confirm", short: "Record that you hold plants to have a disorder",
		long: `Records your conclusion from one or more inspections, with its grounds: the signs
that decided, or the laboratory's report. Your name stands under it, and what velamen
proposed then is kept beside it. A pest that the law names puts the lots on official
hold at once and raises the duty to notify. Advisers, managers and owners only.`,
		example: `  velamen diagnosis confirm --inspection 0199b1f2-0000-7000-8000-000000000001 \
    --disorder fusarium-wilt --grounds "purple ring in the cut rhizome"`,
	}, func(ctx context.Context, _ []string) (err error) {
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.Diagnosis.Inspections, err = a.names("--inspection", request.GetDiagnosis().GetInspections(), "inspections"); err != nil {
			return err
		}
		if request.Diagnosis.Samples, err = a.names("--sample", request.GetDiagnosis().GetSamples(), "samples"); err != nil {
			return err
		}
		if request.Diagnosis.ConfirmTime, err = a.moment(ctx, "--when", when); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		diagnosis, err := call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.ConfirmDiagnosis, request)
		if err != nil {
			return err
		}
		return a.showDiagnosis(ctx, diagnosis)
	})
	flags := cmd.Flags()
	flags.StringSliceVar(&request.Diagnosis.Inspections, "inspection", nil, "inspection it rests on (may be repeated)")
	flags.StringSliceVar(&request.Diagnosis.Samples, "sample", nil, "sample whose result it rests on (may be repeated)")
	flags.StringVar(&request.Diagnosis.Disorder, "disorder", "", "the disorder, from velamen diagnosis disorders")
	flags.StringVar(&request.Diagnosis.Grounds, "grounds", "", "why: the signs that decided, or the laboratory's report")
	flags.StringVar(&when, "when", "", `when it was confirmed (default: now), as in "2026-03-01 10:00"`)
	return needs(cmd, "inspection", "disorder", "grounds")
}

func (a *app) showDiagnosis(ctx context.Context, diagnosis *diagnosisv1.Diagnosis) error {
	return a.showWithCaution(ctx, diagnosis, func(s *sheet) {
		s.fact("Diagnosis", shortName(diagnosis.GetName()))
		s.fact("Disorder", diagnosis.GetDisorder())
		s.fact("Class", word(diagnosis.GetDisorderClass()))
		s.fact("Grounds", diagnosis.GetGrounds())
		s.fact("Inspections", shortNames(diagnosis.GetInspections()))
		s.fact("Confirmed", s.when(diagnosis.GetConfirmTime()))
		s.fact("By", shortName(diagnosis.GetConfirmer()))
		s.fact("Samples", shortNames(diagnosis.GetSamples()))
		s.fact("Proposed then", diagnosis.GetAssessment().GetSummary())
		if len(diagnosis.GetDuties()) > 0 {
			s.fact("DUTY TO NOTIFY", shortNames(diagnosis.GetDuties())+"; velamen diagnosis duty get shows whom to tell, and by when")
		}
	})
}

func (a *app) diagnosisList() *cobra.Command {
	var limit int
	cmd := a.command(text{
		use: "list", short: "List the diagnoses", long: "Lists the diagnoses that people confirmed, newest first.",
		example: "  velamen diagnosis list",
	}, func(ctx context.Context, _ []string) error {
		parent, err := a.parent()
		if err != nil {
			return err
		}
		diagnoses, err := gather(limit, func(size int32, token string) (*diagnosisv1.ListDiagnosesResponse, error) {
			return call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.ListDiagnoses,
				&diagnosisv1.ListDiagnosesRequest{Parent: parent, PageSize: size, PageToken: token})
		})
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, diagnoses, func(s *sheet) {
			if s.none(len(diagnoses.GetDiagnoses()), "diagnoses") {
				return
			}
			s.row("DIAGNOSIS", "DISORDER", "CLASS", "CONFIRMED", "BY", "GROUNDS")
			for _, diagnosis := range diagnoses.GetDiagnoses() {
				s.row(shortName(diagnosis.GetName()), diagnosis.GetDisorder(), word(diagnosis.GetDisorderClass()),
					s.when(diagnosis.GetConfirmTime()), shortName(diagnosis.GetConfirmer()), diagnosis.GetGrounds())
			}
			s.more(diagnoses.GetNextPageToken())
		})
	})
	limitFlag(cmd, &limit)
	return cmd
}

func (a *app) diagnosisGet() *cobra.Command {
	return a.command(text{
		use: "get DIAGNOSIS", short: "Show one diagnosis", long: "Shows one diagnosis with its grounds.",
		example: "  velamen diagnosis get 0199b1f2-0000-7000-8000-000000000002",
	}, func(ctx context.Context, args []string) error {
		name, err := a.name("DIAGNOSIS", args[0], "diagnoses")
		if err != nil {
			return err
		}
		diagnosis, err := call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.GetDiagnosis,
			&diagnosisv1.GetDiagnosisRequest{Name: name})
		if err != nil {
			return err
		}
		return a.showDiagnosis(ctx, diagnosis)
	})
}
