package treatment

import (
	"context"

	"github.com/jackc/pgx/v5"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/internal/rpc"
)

// Service serves velamen.treatment.v1.
type Service struct {
	treatmentv1.UnimplementedTreatmentServiceServer
	db     *postgres.DB
	outbox *postgres.Outbox
}

// New returns the service. The outbox carries its events to stock, records and
// the workflows.
func New(db *postgres.DB, outbox *postgres.Outbox) *Service {
	return &Service{db: db, outbox: outbox}
}

// ListTemplates returns the newest version of each template.
func (s *Service) ListTemplates(ctx context.Context, request *treatmentv1.ListTemplatesRequest) (*treatmentv1.ListTemplatesResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	response := &treatmentv1.ListTemplatesResponse{}
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		names, err := templateIDs(ctx, tx, ids[0])
		if err != nil {
			return err
		}
		for _, id := range names {
			template, err := readTemplate(ctx, tx, ids[0], id)
			if err != nil {
				return err
			}
			response.Templates = append(response.Templates, template)
		}
		return nil
	})
	return response, err
}

// GetTemplate returns the newest version of a template.
func (s *Service) GetTemplate(ctx context.Context, request *treatmentv1.GetTemplateRequest) (*treatmentv1.Template, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "templates")
	if err != nil {
		return nil, err
	}
	template, err := readTemplate(ctx, s.db, ids[0], ids[1])
	return template, postgres.Translate(err)
}

// PublishTemplate makes a new version of a template for the nursery.
func (s *Service) PublishTemplate(ctx context.Context, request *treatmentv1.PublishTemplateRequest) (*treatmentv1.Template, error) {
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*treatmentv1.Template, error) {
		return publish(ctx, tx, request.GetTemplate(), caller, s.db.Now())
	})
}

// CheckTemplate says everything that is wrong with a template.
func (s *Service) CheckTemplate(_ context.Context, request *treatmentv1.CheckTemplateRequest) (*treatmentv1.CheckTemplateResponse, error) {
	if _, err := resource.Parse("parent", request.GetParent(), "nurseries"); err != nil {
		return nil, err
	}
	response := &treatmentv1.CheckTemplateResponse{}
	for _, finding := range FindTemplateFaults(request.GetTemplate()) {
		response.Findings = append(response.Findings, finding.contract())
	}
	return response, nil
}

// CreateCase opens a case.
func (s *Service) CreateCase(ctx context.Context, request *treatmentv1.CreateCaseRequest) (*treatmentv1.Case, error) {
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, _ rpc.Principal) (*treatmentv1.Case, error) {
		return s.openCase(ctx, tx, request)
	})
}

// GetCase returns one case.
func (s *Service) GetCase(ctx context.Context, request *treatmentv1.GetCaseRequest) (*treatmentv1.Case, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "cases")
	if err != nil {
		return nil, err
	}
	o, err := readOutbreak(ctx, s.db, ids[0], ids[1], false)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	return o.contract(), nil
}

// CloseCase ends a case that has no program.
func (s *Service) CloseCase(ctx context.Context, request *treatmentv1.CloseCaseRequest) (*treatmentv1.Case, error) {
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*treatmentv1.Case, error) {
		return s.abandon(ctx, tx, request, caller)
	})
}

// CreateProgram starts the program of a case.
func (s *Service) CreateProgram(ctx context.Context, request *treatmentv1.CreateProgramRequest) (*treatmentv1.Program, error) {
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*treatmentv1.Program, error) {
		return s.begin(ctx, tx, request, caller)
	})
}

// GetProgram returns one program with its steps.
func (s *Service) GetProgram(ctx context.Context, request *treatmentv1.GetProgramRequest) (*treatmentv1.Program, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "programs")
	if err != nil {
		return nil, err
	}
	var message *treatmentv1.Program
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		p, err := readProgram(ctx, tx, ids[0], ids[1], false)
		if err != nil {
			return err
		}
		message, err = s.reread(ctx, tx, p)
		return err
	})
	return message, err
}

// ConfirmStep records that a step was done.
func (s *Service) ConfirmStep(ctx context.Context, request *treatmentv1.ConfirmStepRequest) (*treatmentv1.ConfirmStepResponse, error) {
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*treatmentv1.ConfirmStepResponse, error) {
		return s.confirm(ctx, tx, request, caller)
	})
}

// PauseProgram pauses a program.
func (s *Service) PauseProgram(ctx context.Context, request *treatmentv1.PauseProgramRequest) (*treatmentv1.Program, error) {
	return change(ctx, s, request, EventPaused)
}

// ResumeProgram ends a pause.
func (s *Service) ResumeProgram(ctx context.Context, request *treatmentv1.ResumeProgramRequest) (*treatmentv1.Program, error) {
	return change(ctx, s, request, EventResumed)
}

// GiveUpProgram gives a program up.
func (s *Service) GiveUpProgram(ctx context.Context, request *treatmentv1.GiveUpProgramRequest) (*treatmentv1.Program, error) {
	return change(ctx, s, request, EventGaveUp)
}

// AmendProgram changes the lots of a program.
func (s *Service) AmendProgram(ctx context.Context, request *treatmentv1.AmendProgramRequest) (*treatmentv1.Program, error) {
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*treatmentv1.Program, error) {
		return s.amend(ctx, tx, request, caller)
	})
}

// GetApplication returns one application.
func (s *Service) GetApplication(ctx context.Context, request *treatmentv1.GetApplicationRequest) (*treatmentv1.Application, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "applications")
	if err != nil {
		return nil, err
	}
	found, err := readApplications(ctx, s.db, `nursery = $1 AND id = $2`, ids[0], ids[1])
	if err != nil {
		return nil, postgres.Translate(err)
	}
	if len(found) == 0 {
		return nil, fault.Missing("application", request.GetName())
	}
	return found[0].contract(), nil
}
