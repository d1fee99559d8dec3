package cli

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

func (a *app) treatmentCommand() *cobra.Command {
	return group("treatment", "Outbreaks, and the program that ends each",
		"A case holds the lots of an outbreak; its program says which step is due, and ends in release or discarding. "+Caution,
		a.templateList(),
		group("template", "One program template", "A template is a versioned plan for one kind of disorder.", a.templateGet(), a.templateCheck(), a.templatePublish()),
		group("case", "Cases", "A case is one outbreak: its lots are held until they are released or discarded.", a.caseCreate(), a.caseClose(), a.caseGet(), a.caseList()),
		group("program", "Programs", "A program is the treatment of one case.", a.programStart(), a.programShow(), a.programList()),
		a.stepList(),
		group("step", "One step", "A step of a running program; write it PROGRAM/STEP.", a.stepShow()),
		a.confirmCommand(), a.programPause(), a.programResume(), a.programAmend(), a.programGiveUp(), a.programEvents(),
		a.applicationCheck(), a.productsPropose(), a.rotationPlan(), a.mixCalculate(), a.sprayerCalibrate(), a.releaseAssess(),
		a.breachRecord(), a.applicationList(), a.contactsTrace(), a.inspectionsPropose(),
		group("application", "One application", "Chemical really applied.", a.applicationGet()))
}

func (a *app) templateList() *cobra.Command {
	return a.command(text{
		use: "templates", short: "List the program templates", long: "Lists the newest version of each template.",
		example: "  velamen treatment templates",
	}, func(ctx context.Context, _ []string) error {
		parent, err := a.parent()
		if err != nil {
			return err
		}
		templates, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.ListTemplates,
			&treatmentv1.ListTemplatesRequest{Parent: parent})
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, templates, func(s *sheet) {
			s.row("TEMPLATE", "NAME", "VERSION", "FOR", "STEPS", "SHIPPED")
			for _, template := range templates.GetTemplates() {
				s.row(shortName(template.GetName()), template.GetDisplayName(), template.GetVersion(),
					strings.Join(template.GetDisorders(), ", "), len(template.GetSteps()), yes(template.GetShipped()))
			}
		})
	})
}

func (a *app) templateGet() *cobra.Command {
	return a.command(text{
		use: "get TEMPLATE", short: "Show one template with its steps", long: "Shows the newest version of a template. --json writes what publish reads.",
		example: "  velamen treatment template get vascular-wilt\n  velamen treatment template get vascular-wilt --json > vascular-wilt.json",
	}, func(ctx context.Context, args []string) error {
		name, err := a.name("TEMPLATE", args[0], "templates")
		if err != nil {
			return err
		}
		template, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.GetTemplate,
			&treatmentv1.GetTemplateRequest{Name: name})
		if err != nil {
			return err
		}
		return a.showTemplate(ctx, template)
	})
}

func (a *app) showTemplate(ctx context.Context, template *treatmentv1.Template) error {
	return a.showWithCaution(ctx, template, func(s *sheet) {
		s.fact("Template", shortName(template.GetName()))
		s.fact("Name", template.GetDisplayName())
		s.fact("Version", template.GetVersion())
		s.fact("For", strings.Join(template.GetDisorders(), ", "))
		s.fact("Rounds at most", template.GetMaxRounds())
		s.fact("Shipped", yes(template.GetShipped()))
		s.line("")
		s.row("STEP", "KIND", "TITLE", "AFTER", "ACTIVES, BEST FIRST", "PROOF", "IF NOT CLEAN")
		for _, step := range template.GetSteps() {
			s.row(step.GetKey(), word(step.GetKind()), step.GetTitle(), intervals(step), strings.Join(step.GetCandidateActiveIngredients(), ", "),
				wordsOf(step.GetProofs()), strings.TrimSpace(word(step.GetOnFailure())+" "+step.GetRecurTo()))
		}
		s.releaseNeeds(template.GetSteps())
	})
}

// releaseNeeds draws what the release steps ask for, where the template says so;
// elsewhere the shipped design values hold.
func (s *sheet) releaseNeeds(steps []*treatmentv1.TemplateStep) {
	for _, step := range steps {
		if step.GetReleaseConfidence() == nil && step.GetReleasePrevalence() == nil && step.GetInspectionSensitivity() == nil {
			continue
		}
		s.line("")
		s.line("To release (%s):", step.GetKey())
		s.fact("  Confidence to reach", amount(step.GetReleaseConfidence()))
		s.fact("  Share of affected plants to rule out", amount(step.GetReleasePrevalence()))
		s.fact("  Share of affected plants that one look finds", amount(step.GetInspectionSensitivity()))
	}
}

func intervals(step *treatmentv1.TemplateStep) string {
	texts := make([]string, len(step.GetIntervals()))
	for i, interval := range step.GetIntervals() {
		texts[i] = fmt.Sprintf("%s + %d h (due %d h, overdue %d h)", interval.GetAfter(), interval.GetMinHours(), interval.GetDueHours(), interval.GetMaxHours())
	}
	return strings.Join(texts, ", ")
}

func (a *app) templateCheck() *cobra.Command {
	return a.command(text{
		use: "check FILE", short: "Say everything that is wrong with a template, without publishing it",
		long: `Checks a template in a YAML or JSON file: what the format does not have, steps that are never done, intervals that
cannot all be kept, active ingredients that do not work on the disorders, resistance
groups that run out, a release that nothing earns. The exit code is 3 when a fault
would keep it from being published; warnings are for the nursery to decide. ` + Caution,
		example: "  velamen treatment template check vascular-wilt.yaml\n  velamen treatment template check vascular-wilt.json --json",
	}, func(ctx context.Context, args []string) error {
		parent, err := a.parent()
		if err != nil {
			return err
		}
		template, broken, err := a.readTemplate("FILE", args[0])
		if err != nil {
			return err
		}
		if len(broken) > 0 {
			return a.showFindings(ctx, &treatmentv1.CheckTemplateResponse{Findings: broken})
		}
		template.Name = "" // another nursery's may be checked, and no rule is about it
		checked, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.CheckTemplate,
			&treatmentv1.CheckTemplateRequest{Parent: parent, Template: template})
		if err != nil {
			return err
		}
		return a.showFindings(ctx, checked)
	})
}

// showFindings prints what is wrong with a template; a fault among it ends the
// command as a refusal does.
func (a *app) showFindings(ctx context.Context, checked *treatmentv1.CheckTemplateResponse) error {
	faults := 0
	for _, finding := range checked.GetFindings() {
		if !finding.GetWarning() {
			faults++
		}
	}
	if err := a.showWithCaution(ctx, checked, func(s *sheet) {
		if s.none(len(checked.GetFindings()), "faults and no warnings") {
			return
		}
		s.row("FINDING", "FIELD", "RULE", "WHAT IS WRONG")
		for _, finding := range checked.GetFindings() {
			weight := "fault"
			if finding.GetWarning() {
				weight = "warning"
			}
			s.row(weight, finding.GetField(), finding.GetRule(), finding.GetMessage())
		}
	}); err != nil {
		return err
	}
	if faults > 0 {
		return outcomeError{exitRefused, fmt.Errorf("faults that keep the template from being published: %d", faults)}
	}
	return nil
}

func (a *app) templatePublish() *cobra.Command {
	var file string
	cmd := a.command(text{
		use: "publish TEMPLATE", short: "Make a new version of a template",
		long: `Makes a new version of a template, or a new template, from a YAML or JSON file; velamen
treatment template get --json writes one. Running programs keep the version that
they started with. Managers and owners only. ` + Caution,
		example: "  velamen treatment template publish vascular-wilt -f vascular-wilt.json",
	}, func(ctx context.Context, args []string) (err error) {
		request := &treatmentv1.PublishTemplateRequest{}
		template, broken, err := a.readTemplate("--file", file)
		if err != nil {
			return err
		}
		if len(broken) > 0 {
			return a.showFindings(ctx, &treatmentv1.CheckTemplateResponse{Findings: broken})
		}
		request.Template = template
		if request.Template.Name, err = a.name("TEMPLATE", args[0], "templates"); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		published, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.PublishTemplate, request)
		if err != nil {
			return err
		}
		return a.showTemplate(ctx, published)
	})
	cmd.Flags().StringVarP(&file, "file", "f", "", `YAML or JSON file of the template ("-": standard input)`)
	return needs(cmd, "file")
}

func (a *app) caseCreate() *cobra.Command {
	outbreak := &treatmentv1.Case{}
	cmd := a.command(text{
		use: "create", short: "Open a case for lots with a confirmed diagnosis",
		long:    "Opens a case and holds its lots: they are not sold, and move to isolation benches only. Managers and owners only.",
		example: "  velamen treatment case create --diagnosis 0199b1f2-0000-7000-8000-000000000002 --lot l-0001 --lot l-0002",
	}, func(ctx context.Context, _ []string) (err error) {
		request := &treatmentv1.CreateCaseRequest{Case: outbreak}
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if outbreak.Diagnosis, err = a.name("--diagnosis", outbreak.GetDiagnosis(), "diagnoses"); err != nil {
			return err
		}
		if outbreak.Lots, err = a.names("--lot", outbreak.GetLots(), "lots"); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		opened, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.CreateCase, request)
		if err != nil {
			return err
		}
		return a.showCase(ctx, opened)
	})
	cmd.Flags().StringVar(&outbreak.Diagnosis, "diagnosis", "", "the diagnosis that a person confirmed")
	cmd.Flags().StringSliceVar(&outbreak.Lots, "lot", nil, "a lot of the outbreak (may be repeated)")
	return needs(cmd, "diagnosis", "lot")
}

func (a *app) caseClose() *cobra.Command {
	request := &treatmentv1.CloseCaseRequest{}
	cmd := a.command(text{
		use: "close CASE", short: "Close a case that has no program",
		long:    "Ends a case without a program, such as one opened by mistake, and frees its lots. Managers and owners only.",
		example: `  velamen treatment case close c-1 --note "opened for the wrong lot"`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.Name, err = a.name("CASE", args[0], "cases"); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		closed, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.CloseCase, request)
		if err != nil {
			return err
		}
		return a.showCase(ctx, closed)
	})
	cmd.Flags().StringVar(&request.Note, "note", "", "why it is closed")
	return needs(cmd, "note")
}

func (a *app) showCase(ctx context.Context, outbreak *treatmentv1.Case) error {
	return a.showWithCaution(ctx, outbreak, func(s *sheet) {
		s.fact("Case", shortName(outbreak.GetName()))
		s.fact("State", word(outbreak.GetState()))
		s.fact("Diagnosis", shortName(outbreak.GetDiagnosis()))
		s.fact("Lots", shortNames(outbreak.GetLots()))
		s.fact("Program", shortName(outbreak.GetProgram()))
		s.fact("Closed because", outbreak.GetCloseNote())
		s.fact("Opened", s.when(outbreak.GetCreateTime()))
	})
}

func (a *app) caseGet() *cobra.Command {
	return a.command(text{
		use: "get CASE", short: "Show one case", long: "Shows one case: its diagnosis, lots and program.",
		example: "  velamen treatment case get c-1",
	}, func(ctx context.Context, args []string) error {
		name, err := a.name("CASE", args[0], "cases")
		if err != nil {
			return err
		}
		outbreak, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.GetCase,
			&treatmentv1.GetCaseRequest{Name: name})
		if err != nil {
			return err
		}
		return a.showCase(ctx, outbreak)
	})
}

func (a *app) caseList() *cobra.Command {
	var limit int
	cmd := a.command(text{
		use: "list", short: "List the cases", long: "Lists the cases, newest first.",
		example: "  velamen treatment case list",
	}, func(ctx context.Context, _ []string) error {
		parent, err := a.parent()
		if err != nil {
			return err
		}
		cases, err := gather(limit, func(size int32, token string) (*treatmentv1.ListCasesResponse, error) {
			return call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.ListCases,
				&treatmentv1.ListCasesRequest{Parent: parent, PageSize: size, PageToken: token})
		})
		if err != nil {
			return err
		}
		return a.show(ctx, cases, func(s *sheet) {
			if s.none(len(cases.GetCases()), "cases") {
				return
			}
			s.row("CASE", "STATE", "LOTS", "PROGRAM", "OPENED")
			for _, outbreak := range cases.GetCases() {
				s.row(shortName(outbreak.GetName()), word(outbreak.GetState()), shortNames(outbreak.GetLots()),
					shortName(outbreak.GetProgram()), s.when(outbreak.GetCreateTime()))
			}
			s.more(cases.GetNextPageToken())
		})
	})
	limitFlag(cmd, &limit)
	return cmd
}

func (a *app) programStart() *cobra.Command {
	var template, completed string
	cmd := a.command(text{
		use: "start CASE", short: "Start the program of a case",
		long: `Starts the program of a case after a template. Steps that were done before are
read from --completed, a JSON list in the order in which they were done:

  [{"key": "isolate", "confirmation": {"start_time": "2026-03-01T08:00:00Z",
    "end_time": "2026-03-01T09:00:00Z", "bench": "h2/q1"}}]

Times in it carry their offset; houses, benches, products and people may be
written short, as on the command line. The program is refused as a whole when one
of these steps breaks a rule. Managers and owners only. ` + Caution,
		example: `  velamen treatment program start c-1 --template vascular-wilt
  velamen treatment program start c-1 --template vascular-wilt --completed done.json`,
	}, func(ctx context.Context, args []string) (err error) {
		request := &treatmentv1.CreateProgramRequest{}
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.Case, err = a.name("CASE", args[0], "cases"); err != nil {
			return err
		}
		if request.Template, err = a.name("--template", template, "templates"); err != nil {
			return err
		}
		if request.CompletedSteps, err = a.completedSteps(completed); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		program, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.CreateProgram, request)
		if err != nil {
			return err
		}
		return a.showProgram(ctx, program)
	})
	cmd.Flags().StringVar(&template, "template", "", "the template")
	cmd.Flags().StringVar(&completed, "completed", "", `JSON file of the steps done before ("-": standard input)`)
	return needs(cmd, "template")
}

func (a *app) completedSteps(file string) ([]*treatmentv1.CompletedStep, error) {
	if file == "" {
		return nil, nil
	}
	read := &treatmentv1.CreateProgramRequest{}
	if err := a.readList("--completed", file, "completed_steps", read); err != nil {
		return nil, err
	}
	for i, step := range read.GetCompletedSteps() {
		where := fmt.Sprintf("--completed %s, step %d (%s):", file, i+1, step.GetKey())
		if err := a.nameAll(where, step.GetConfirmation()); err != nil {
			return nil, err
		}
	}
	return read.GetCompletedSteps(), nil
}

func (a *app) programShow() *cobra.Command {
	return a.command(text{
		use: "show PROGRAM", short: "Show a program with its steps", long: "Shows where a program stands, and every step of all rounds.",
		example: "  velamen treatment program show p-1",
	}, func(ctx context.Context, args []string) error {
		program, err := a.readProgram(ctx, args[0])
		if err != nil {
			return err
		}
		return a.showProgram(ctx, program)
	})
}

func (a *app) readProgram(ctx context.Context, typed string) (*treatmentv1.Program, error) {
	name, err := a.name("PROGRAM", typed, "programs")
	if err != nil {
		return nil, err
	}
	return call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.GetProgram,
		&treatmentv1.GetProgramRequest{Name: name})
}

func (a *app) showProgram(ctx context.Context, program *treatmentv1.Program) error {
	return a.showWithCaution(ctx, program, func(s *sheet) { s.program(program) })
}

func (s *sheet) program(program *treatmentv1.Program) {
	s.fact("Program", shortName(program.GetName()))
	s.fact("State", word(program.GetState()))
	s.fact("Case", shortName(program.GetCase()))
	s.fact("Template", fmt.Sprintf("%s, version %d", program.GetTemplate().GetDisplayName(), program.GetTemplate().GetVersion()))
	s.fact("Disorder class", word(program.GetDisorderClass()))
	s.fact("Lots", shortNames(program.GetLots()))
	s.fact("Round", program.GetRound())
	s.fact("Started", s.when(program.GetStartTime()))
	s.fact("Ended", s.when(program.GetEndTime()))
	s.fact("ETag", program.GetEtag())
	if len(program.GetSteps()) > 0 {
		s.line("")
		s.steps(program.GetSteps())
	}
}

func (s *sheet) steps(steps []*treatmentv1.Step) {
	s.row("STEP", "STATE", "OPENS", "DUE", "OVERDUE", "DONE", "TITLE")
	for _, step := range steps {
		s.row(shortName(step.GetName()), stepState(step), s.when(step.GetOpenTime()), s.when(step.GetDueTime()),
			s.when(step.GetOverdueTime()), s.when(step.GetDoneTime()), step.GetTitle())
	}
}

func stepState(step *treatmentv1.Step) string {
	state := word(step.GetState())
	if step.GetKind() == treatmentv1.StepKind_STEP_KIND_INSPECT && step.GetCleanCount() > 0 {
		state += ", clean " + times(step.GetCleanCount())
	}
	if step.GetEscalations() > 0 {
		state += ", escalated " + times(step.GetEscalations())
	}
	return state
}

func times(count int32) string {
	if count == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", count)
}

func (a *app) programList() *cobra.Command {
	var limit int
	request := &treatmentv1.ListProgramsRequest{}
	cmd := a.command(text{
		use: "list", short: "List the programs", long: "Lists the programs, newest first.",
		example: "  velamen treatment program list --state running,paused",
	}, func(ctx context.Context, _ []string) (err error) {
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		programs, err := gather(limit, func(size int32, token string) (*treatmentv1.ListProgramsResponse, error) {
			request.PageSize, request.PageToken = size, token
			return call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.ListPrograms, request)
		})
		if err != nil {
			return err
		}
		return a.show(ctx, programs, func(s *sheet) {
			if s.none(len(programs.GetPrograms()), "such programs") {
				return
			}
			s.row("PROGRAM", "STATE", "CASE", "TEMPLATE", "ROUND", "LOTS", "STARTED", "ENDED")
			for _, program := range programs.GetPrograms() {
				s.row(shortName(program.GetName()), word(program.GetState()), shortName(program.GetCase()), program.GetTemplate().GetDisplayName(),
					program.GetRound(), shortNames(program.GetLots()), s.when(program.GetStartTime()), s.when(program.GetEndTime()))
			}
			s.more(programs.GetNextPageToken())
		})
	})
	enumsFlag(cmd.Flags(), &request.States, "state", "only in this state")
	limitFlag(cmd, &limit)
	return cmd
}

func (a *app) stepList() *cobra.Command {
	var limit int
	var program string
	request := &treatmentv1.ListStepsRequest{}
	cmd := a.command(text{
		use: "steps", short: "List the steps by due time", long: "Lists the steps of one program, or of all, by due time.",
		example: "  velamen treatment steps --state open,overdue\n  velamen treatment steps --program p-1",
	}, func(ctx context.Context, _ []string) (err error) {
		if request.Parent, err = a.name("--program", program, "programs"); err != nil {
			return err
		}
		steps, err := gather(limit, func(size int32, token string) (*treatmentv1.ListStepsResponse, error) {
			request.PageSize, request.PageToken = size, token
			return call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.ListSteps, request)
		})
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, steps, func(s *sheet) {
			if s.none(len(steps.GetSteps()), "such steps") {
				return
			}
			s.steps(steps.GetSteps())
			s.more(steps.GetNextPageToken())
		})
	})
	cmd.Flags().StringVar(&program, "program", "-", "only this program; - for all")
	enumsFlag(cmd.Flags(), &request.States, "state", "only in this state")
	limitFlag(cmd, &limit)
	return cmd
}

func (a *app) stepShow() *cobra.Command {
	return a.command(text{
		use: "show PROGRAM/STEP", short: "Show one step: what to do, with what, and the proof needed",
		long:    "Shows one step as the worker needs it.",
		example: "  velamen treatment step show p-1/systemic-1",
	}, func(ctx context.Context, args []string) error {
		name, err := a.name("STEP", args[0], "programs", "steps")
		if err != nil {
			return err
		}
		parent, _ := splitLast(name)
		program, err := a.readProgram(ctx, parent)
		if err != nil {
			return err
		}
		for _, step := range program.GetSteps() {
			if step.GetName() == name {
				return a.showWithCaution(ctx, step, func(s *sheet) { s.step(step) })
			}
		}
		return outcomeError{exitRefused, fmt.Errorf("the program %s has no step %s", shortName(parent), args[0])}
	})
}

func (s *sheet) step(step *treatmentv1.Step) {
	s.fact("Step", shortName(step.GetName()))
	s.fact("What", step.GetTitle())
	s.fact("Kind", word(step.GetKind()))
	s.fact("State", stepState(step))
	s.fact("How", step.GetInstructions())
	s.fact("Lots", shortNames(step.GetLots()))
	s.fact("Active ingredients, best first", strings.Join(step.GetCandidateActiveIngredients(), ", "))
	s.fact("Proof needed", wordsOf(step.GetProofs()))
	s.fact("Opens", s.when(step.GetOpenTime()))
	s.fact("Due", s.when(step.GetDueTime()))
	s.fact("Overdue", s.when(step.GetOverdueTime()))
	s.fact("Done", s.when(step.GetDoneTime()))
	if step.GetAttempts() > 0 {
		s.fact("Confirmed", times(step.GetAttempts()))
	}
	s.fact("Keep in mind", step.GetCaution())
}

func (a *app) programPause() *cobra.Command {
	cmd := a.programTurn(text{
		use: "pause PROGRAM", short: "Pause a program", long: "Pauses a program: nothing comes due until it is resumed. Managers and owners only.",
		example: `  velamen treatment pause p-1 --note "heating failed"`,
	}, func(ctx context.Context, t turn) (*treatmentv1.Program, error) {
		return call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.PauseProgram,
			&treatmentv1.PauseProgramRequest{Name: t.program, Note: t.note, Etag: t.etag, RequestId: t.requestID})
	})
	return needs(cmd, "note")
}

// turn is a change of a program as a whole.
type turn struct{ program, note, etag, requestID string }

// programTurn is a command that changes a program as a whole.
func (a *app) programTurn(words text, send func(context.Context, turn) (*treatmentv1.Program, error)) *cobra.Command {
	var t turn
	cmd := a.command(words, func(ctx context.Context, args []string) (err error) {
		if t.program, t.requestID, err = a.programChange(args[0]); err != nil {
			return err
		}
		program, err := send(ctx, t)
		if err != nil {
			return err
		}
		return a.showProgram(ctx, program)
	})
	cmd.Flags().StringVar(&t.note, "note", "", "why")
	etagFlag(cmd, &t.etag)
	return cmd
}

// programChange returns the name of a program and the request id of a change.
func (a *app) programChange(typed string) (name, requestID string, err error) {
	if name, err = a.name("PROGRAM", typed, "programs"); err != nil {
		return "", "", err
	}
	requestID, err = a.change()
	return name, requestID, err
}

func (a *app) programResume() *cobra.Command {
	return a.programTurn(text{
		use: "resume PROGRAM", short: "End a pause", long: "Resumes a paused program. Managers and owners only.",
		example: `  velamen treatment resume p-1 --note "heating repaired"`,
	}, func(ctx context.Context, t turn) (*treatmentv1.Program, error) {
		return call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.ResumeProgram,
			&treatmentv1.ResumeProgramRequest{Name: t.program, Note: t.note, Etag: t.etag, RequestId: t.requestID})
	})
}

func (a *app) programAmend() *cobra.Command {
	request := &treatmentv1.AmendProgramRequest{}
	cmd := a.command(text{
		use: "amend PROGRAM", short: "Add lots to a program, or take lots out",
		long:    "Changes the lots of a running program. Lots that join are held, lots that leave are free; at least one stays. Managers and owners only.",
		example: `  velamen treatment amend p-1 --add l-0003 --remove l-0002 --note "signs on the next bench"`,
	}, func(ctx context.Context, args []string) (err error) {
		if request.AddLots, err = a.names("--add", request.GetAddLots(), "lots"); err != nil {
			return err
		}
		if request.RemoveLots, err = a.names("--remove", request.GetRemoveLots(), "lots"); err != nil {
			return err
		}
		if request.Name, request.RequestId, err = a.programChange(args[0]); err != nil {
			return err
		}
		program, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.AmendProgram, request)
		if err != nil {
			return err
		}
		return a.showProgram(ctx, program)
	})
	flags := cmd.Flags()
	flags.StringSliceVar(&request.AddLots, "add", nil, "a lot that joins (may be repeated)")
	flags.StringSliceVar(&request.RemoveLots, "remove", nil, "a lot that leaves (may be repeated)")
	flags.StringVar(&request.Note, "note", "", "why")
	etagFlag(cmd, &request.Etag)
	cmd.MarkFlagsOneRequired("add", "remove")
	return needs(cmd, "note")
}

func (a *app) programGiveUp() *cobra.Command {
	cmd := a.programTurn(text{
		use: "give-up PROGRAM", short: "Stop treating; the plants still have to be discarded",
		long:    "Gives a program up: the only step left is to discard the plants. Managers and owners only.",
		example: `  velamen treatment give-up p-1 --note "rot reached the crown"`,
	}, func(ctx context.Context, t turn) (*treatmentv1.Program, error) {
		return call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.GiveUpProgram,
			&treatmentv1.GiveUpProgramRequest{Name: t.program, Note: t.note, Etag: t.etag, RequestId: t.requestID})
	})
	return needs(cmd, "note")
}

func (a *app) programEvents() *cobra.Command {
	var limit int
	cmd := a.command(text{
		use: "events PROGRAM", short: "Show what happened to a program", long: "Shows the history of a program, oldest first. --json shows each confirmation whole.",
		example: "  velamen treatment events p-1",
	}, func(ctx context.Context, args []string) error {
		name, err := a.name("PROGRAM", args[0], "programs")
		if err != nil {
			return err
		}
		events, err := gather(limit, func(size int32, token string) (*treatmentv1.ListProgramEventsResponse, error) {
			return call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.ListProgramEvents,
				&treatmentv1.ListProgramEventsRequest{Name: name, PageSize: size, PageToken: token})
		})
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, events, func(s *sheet) {
			if s.none(len(events.GetEvents()), "events") {
				return
			}
			s.row("NO", "WHEN", "WHAT", "STEP", "WHO", "NOTE")
			for _, event := range events.GetEvents() {
				s.row(event.GetSequence(), s.when(event.GetEventTime()), strings.ReplaceAll(event.GetKind(), "_", " "),
					shortName(event.GetStep()), shortName(event.GetPerson()), eventNote(event))
			}
			s.more(events.GetNextPageToken())
		})
	})
	limitFlag(cmd, &limit)
	return cmd
}

// eventNote is what is said about an event: the note, what was overridden, and
// what a release showed.
func eventNote(event *treatmentv1.ProgramEvent) string {
	var parts []string
	for _, said := range []string{event.GetNote(), event.GetStatement()} {
		if said != "" {
			parts = append(parts, said)
		}
	}
	for _, override := range event.GetConfirmation().GetOverrides() {
		parts = append(parts, fmt.Sprintf("overrode %s: %s", override.GetRule(), override.GetNote()))
	}
	return strings.Join(parts, "; ")
}

func (a *app) applicationList() *cobra.Command {
	var limit int
	cmd := a.command(text{
		use: "applications", short: "List the applications", long: "Lists what was really applied, newest first.",
		example: "  velamen treatment applications",
	}, func(ctx context.Context, _ []string) error {
		parent, err := a.parent()
		if err != nil {
			return err
		}
		applications, err := gather(limit, func(size int32, token string) (*treatmentv1.ListApplicationsResponse, error) {
			return call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.ListApplications,
				&treatmentv1.ListApplicationsRequest{Parent: parent, PageSize: size, PageToken: token})
		})
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, applications, func(s *sheet) {
			if s.none(len(applications.GetApplications()), "applications") {
				return
			}
			s.row("APPLICATION", "START", "METHOD", "AGAINST", "HOUSES", "PRODUCTS", "BY", "RE-ENTRY AFTER", "TO MIND")
			for _, application := range applications.GetApplications() {
				s.row(shortName(application.GetName()), s.when(application.GetStartTime()), word(application.GetMethod()), application.GetDisorder(),
					housesTreated(application), productsUsed(application), shortName(application.GetApplicator()), reentryAfter(application.GetRestrictedEntryInterval()), toMind(application))
			}
			s.more(applications.GetNextPageToken())
		})
	})
	limitFlag(cmd, &limit)
	return cmd
}

// toMind says in short what was not as the rules want it.
func toMind(application *treatmentv1.Application) string {
	var parts []string
	if application.GetBreachNote() != "" {
		parts = append(parts, "breach")
	}
	for _, override := range application.GetOverrides() {
		parts = append(parts, "overrode "+override.GetRule())
	}
	if warnings := outcomesIn(application.GetVerdicts())[treatmentv1.Outcome_OUTCOME_WARN]; warnings > 0 {
		parts = append(parts, fmt.Sprintf("warnings: %d", warnings))
	}
	return strings.Join(parts, ", ")
}

func housesTreated(application *treatmentv1.Application) string {
	texts := make([]string, len(application.GetTreatments()))
	for i, treatment := range application.GetTreatments() {
		texts[i] = shortName(treatment.GetHouse())
	}
	return strings.Join(texts, ", ")
}

func productsUsed(application *treatmentv1.Application) string {
	var texts []string
	for _, treatment := range application.GetTreatments() {
		texts = append(texts, usesText(treatment))
	}
	return strings.Join(texts, "; ")
}

func usesText(treatment *treatmentv1.HouseTreatment) string {
	texts := make([]string, len(treatment.GetProducts()))
	for i, use := range treatment.GetProducts() {
		texts[i] = shortName(use.GetProduct()) + " " + amount(use.GetAmount())
		if use.GetContainer() != "" {
			_, container := splitLast(use.GetContainer())
			texts[i] += " from " + container
		}
	}
	return strings.Join(texts, " + ")
}

func (a *app) applicationGet() *cobra.Command {
	return a.command(text{
		use: "get APPLICATION", short: "Show one application", long: "Shows one application, house by house.",
		example: "  velamen treatment application get p-1-systemic-1-1",
	}, func(ctx context.Context, args []string) error {
		name, err := a.name("APPLICATION", args[0], "applications")
		if err != nil {
			return err
		}
		application, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.GetApplication,
			&treatmentv1.GetApplicationRequest{Name: name})
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, application, func(s *sheet) { s.application(application) })
	})
}

func (s *sheet) application(application *treatmentv1.Application) {
	s.fact("Application", shortName(application.GetName()))
	s.fact("Step", shortName(application.GetStep()))
	s.fact("Method", word(application.GetMethod()))
	s.fact("Against", application.GetDisorder())
	s.fact("Lots", shortNames(application.GetLots()))
	s.fact("Start", s.when(application.GetStartTime()))
	s.fact("End", s.when(application.GetEndTime()))
	s.fact("Applied by", shortName(application.GetApplicator()))
	s.fact("Re-entry after", reentryAfter(application.GetRestrictedEntryInterval()))
	s.fact("Conditions", weather(application.GetConditions()))
	s.fact("Breach", application.GetBreachNote())
	s.line("")
	s.row("HOUSE", "AREA", "PLANTS", "MIX", "PRODUCTS", "LEFT OVER", "BY IRRIGATION")
	for _, treatment := range application.GetTreatments() {
		s.row(shortName(treatment.GetHouse()), amount(treatment.GetArea()), plantsTreated(treatment), amount(treatment.GetMixVolume()),
			usesText(treatment), amount(treatment.GetLeftover()), yes(treatment.GetChemigation()))
	}
	showOverrides(s, application.GetOverrides())
	s.verdicts(application.GetVerdicts(), application.GetOverrides())
}

// plantsTreated is empty where nobody counted them.
func plantsTreated(treatment *treatmentv1.HouseTreatment) any {
	if treatment.GetPlants() == 0 {
		return ""
	}
	return treatment.GetPlants()
}
