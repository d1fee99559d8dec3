package cli

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	typev1 "velamen/gen/velamen/type/v1"
)

func (a *app) diagnosisAssess() *cobra.Command {
	request := &diagnosisv1.AssessSignsRequest{Conditions: &diagnosisv1.SiteConditions{}}
	var all bool
	cmd := a.command(text{
		use: "assess", short: "Rank what signs point to, and ask what to look at next",
		long: `Ranks what the signs of inspections of one lot or bench point to, says how sure
that is and why, what to look at next, and what to do before anybody knows. With
--sign it answers "what if". It is a proposal: it records nothing and treats
nothing. ` + Caution,
		example: `  velamen diagnosis assess --inspection 0199b1f2-0000-7000-8000-000000000001
  velamen diagnosis assess --inspection 0199b1f2-0000-7000-8000-000000000001 --sign stem:ring-in-cut-face=absent
  velamen diagnosis assess --plant "Phalaenopsis" --sign crown:black-advancing-rot --sign crown:foul-smell=absent --temperature 27Cel --light low`,
	}, func(ctx context.Context, _ []string) (err error) {
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.Inspections, err = a.names("--inspection", request.GetInspections(), "inspections"); err != nil {
			return err
		}
		assessment, err := call(ctx, a, diagnosisv1.NewDiagnosisServiceClient, diagnosisv1.DiagnosisServiceClient.AssessSigns, request)
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, assessment, func(s *sheet) { s.ranking(assessment, all) })
	})
	flags := cmd.Flags()
	flags.StringSliceVar(&request.Inspections, "inspection", nil, "inspection of the plants (may be repeated)")
	eachFlag(flags, &request.Observations, parseObservation, "organ:sign", "sign",
		"sign besides, as ORGAN:SIGN, or looked for in vain, as ORGAN:SIGN=absent; it replaces that of the inspections")
	flags.StringVar(&request.BotanicalName, "plant", "", "botanical name of the plants (default: that of the inspected lot)")
	quantityFlag(flags, &request.Conditions.Temperature, "temperature", "mean temperature of the days before, as in 24Cel (default: the house's record)")
	quantityFlag(flags, &request.Conditions.Humidity, "humidity", "mean relative humidity, as in 85% (default: the house's record)")
	quantityFlag(flags, &request.Conditions.LeafWetness, "wet", "hours a day with wet leaves, as in 6h (default: the house's record)")
	enumFlag(flags, &request.Conditions.Light, "light", "how bright it is")
	yesNoFlag(flags, &request.Conditions.WetMedium, "wet-medium", "whether the medium stays wet")
	flags.Int32Var(&request.MaxCandidates, "candidates", 0, "show so many candidates (default: 10)")
	flags.BoolVar(&all, "all", false, "show the evidence for and against every candidate")
	cmd.MarkFlagsOneRequired("inspection", "sign")
	return cmd
}

// ranking draws what is most urgent first: precautions, how sure, the ranking,
// what to look at, and why. Evidence is drawn for the first candidate, or for all.
func (s *sheet) ranking(a *diagnosisv1.Assessment, all bool) {
	s.precautions(a.GetPrecautions())
	s.line("%s", a.GetSummary())
	s.line("")
	s.row("CANDIDATE", "NAME", "CLASS", "SURE", "FUNGICIDE", "SPREADS", "TESTS")
	for _, candidate := range a.GetCandidates() {
		s.row(candidate.GetDisorder(), candidate.GetDisplayName(), word(candidate.GetDisorderClass()), candidate.GetProbabilityPercent()+" %",
			word(candidate.GetFungicideUse()), word(candidate.GetContagion()), strings.Join(firstOf(candidate.GetTests(), 2), ", "))
	}
	for _, pair := range a.GetPairs() {
		s.line("Both at once: %s, %s %%", strings.Join(pair.GetDisorders(), " and "), pair.GetProbabilityPercent())
	}
	s.questions(a.GetQuestions())
	for i, candidate := range a.GetCandidates() {
		if i == 0 || all {
			s.candidate(candidate)
		}
	}
	s.used(a)
}

func (s *sheet) precautions(precautions []*diagnosisv1.Precaution) {
	for _, precaution := range precautions {
		s.fact(strings.ToUpper(strings.ReplaceAll(word(precaution.GetKind()), "-", " ")), precaution.GetSentence())
		s.fact("Tell by", s.when(precaution.GetNotifyByTime()))
		s.fact("Sure", sureness(precaution))
		s.fact("Source", precaution.GetSource())
		s.line("")
	}
}

func sureness(p *diagnosisv1.Precaution) string {
	if p.GetThresholdPercent() == "" {
		return p.GetProbabilityPercent() + " %"
	}
	return fmt.Sprintf("%s %%, proposed from %s %% on", p.GetProbabilityPercent(), p.GetThresholdPercent())
}

func (s *sheet) questions(questions []*diagnosisv1.Question) {
	if len(questions) == 0 {
		return
	}
	s.line("")
	s.row("ON", "LOOK AT NEXT", "TAKES", "IF FOUND, FIRST COMES", "IF NOT")
	for _, question := range questions {
		s.row(word(question.GetOrgan()), question.GetSentence(), effort(question),
			outcome(question.GetFirstIfFound(), question.GetPercentIfFound()), outcome(question.GetFirstIfAbsent(), question.GetPercentIfAbsent()))
	}
}

func effort(q *diagnosisv1.Question) string {
	if q.GetDays() == 0 {
		return fmt.Sprintf("%d min", q.GetMinutes())
	}
	return fmt.Sprintf("%d min, %d d", q.GetMinutes(), q.GetDays())
}

func outcome(disorder, percent string) string {
	if disorder == "" {
		disorder = "none of those known"
	}
	return disorder + " " + percent + " %"
}

func (s *sheet) candidate(c *diagnosisv1.Candidate) {
	s.line("")
	s.line("%s, %s %%", c.GetDisplayName(), c.GetProbabilityPercent())
	s.fact("Why", c.GetWhy())
	for _, evidence := range c.GetEvidenceFor() {
		s.fact("For", fmt.Sprintf("%s (times %s)", evidence.GetSentence(), evidence.GetLikelihoodRatio()))
	}
	for _, evidence := range c.GetEvidenceAgainst() {
		s.fact("Against", fmt.Sprintf("%s (times %s)", evidence.GetSentence(), evidence.GetLikelihoodRatio()))
	}
	for _, change := range c.GetWouldChange() {
		s.fact("Would change it", change)
	}
	s.fact("Confirm by", c.GetConfirmation())
	s.fact("Fungicides", c.GetFungicideNote())
	for _, advice := range c.GetEnvironment() {
		s.fact("Change", advice)
	}
	s.fact("Hygiene", c.GetHygiene())
	var sources []string
	for _, evidence := range slices.Concat(c.GetEvidenceFor(), c.GetEvidenceAgainst()) {
		for _, source := range evidence.GetSources() {
			if !slices.Contains(sources, source) {
				sources = append(sources, source)
			}
		}
	}
	s.fact("Sources", strings.Join(sources, "; "))
}

// used says what the ranking rests on.
func (s *sheet) used(a *diagnosisv1.Assessment) {
	s.line("")
	s.fact("Ranked for", a.GetPlantGroup())
	s.fact("Signs used", len(a.GetObservations()))
	s.fact("Results used", shortNames(a.GetSamples()))
	s.fact("Conditions", conditionsText(a.GetConditions()))
	for _, note := range a.GetNotes() {
		s.fact("Note", note)
	}
	s.fact("Knowledge", firstLetters(a.GetKnowledgeVersion()))
	s.line("%s", a.GetCaution())
}

// firstLetters is enough of a hash to tell it from others.
func firstLetters(hash string) string {
	const enough = 12
	return hash[:min(enough, len(hash))]
}

func firstOf(texts []string, most int) []string { return texts[:min(most, len(texts))] }

func conditionsText(c *diagnosisv1.SiteConditions) string {
	var parts []string
	add := func(what string, q *typev1.Quantity) {
		if q != nil {
			parts = append(parts, what+" "+amount(q))
		}
	}
	add("temperature", c.GetTemperature())
	add("humidity", c.GetHumidity())
	add("leaves wet a day", c.GetLeafWetness())
	if c.GetLight() != 0 {
		parts = append(parts, "light "+word(c.GetLight()))
	}
	if c != nil && c.WetMedium != nil {
		parts = append(parts, "medium stays wet: "+yes(c.GetWetMedium()))
	}
	return strings.Join(parts, ", ")
}

func (s *sheet) disorder(d *diagnosisv1.Disorder) {
	s.fact("Disorder", d.GetId())
	s.fact("Name", d.GetDisplayName())
	s.fact("Class", word(d.GetDisorderClass()))
	s.fact("Causes", strings.Join(d.GetCauses(), ", "))
	s.fact("On", strings.Join(d.GetPlants(), ", "))
	s.fact("Only on", strings.Join(d.GetGenera(), ", "))
	s.fact("Taken for it", strings.Join(d.GetLookAlikes(), ", "))
	s.fact("Favoured by", d.GetFavouredBy())
	if d.LatentMinDays != nil {
		s.fact("Without signs", fmt.Sprintf("%d to %d days", d.GetLatentMinDays(), d.GetLatentMaxDays()))
	}
	s.fact("Spreads", word(d.GetContagion()))
	s.fact("By", wordsOf(d.GetRoutes()))
	s.fact("Fungicides", strings.TrimSpace(word(d.GetFungicideUse())+". "+d.GetFungicideNote()))
	s.fact("Confirmed by", d.GetConfirmation())
	s.fact("Hygiene", d.GetHygiene())
	s.fact("Disposal", d.GetDisposal())
	for _, advice := range d.GetEnvironment() {
		s.fact("Change", advice)
	}
	s.line("")
	s.row("SIGN", "ON", "SEEN", "SOURCES")
	for _, sign := range d.GetSigns() {
		s.row(sign.GetSign(), wordsOf(sign.GetOrgans()), sign.GetChance(), strings.Join(sign.GetSources(), "; "))
	}
}
