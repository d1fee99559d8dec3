package fault

// Reason is the machine-readable cause of a fault: the name of a value of
// velamen.type.v1.Reason without its prefix. A test holds the two lists equal.
type Reason string

// The reasons; proto/velamen/type/v1/reason.proto says what each means.
const (
	InvalidField            Reason = "INVALID_FIELD"
	NotFoundReason          Reason = "NOT_FOUND"
	AlreadyExists           Reason = "ALREADY_EXISTS"
	StaleETag               Reason = "STALE_ETAG"
	RequestIDReused         Reason = "REQUEST_ID_REUSED"
	InvalidPageToken        Reason = "INVALID_PAGE_TOKEN"
	NotSignedIn             Reason = "UNAUTHENTICATED"
	PermissionDenied        Reason = "PERMISSION_DENIED"
	PlantsInsufficient      Reason = "PLANTS_INSUFFICIENT"
	LotHeld                 Reason = "LOT_HELD"
	LotEmpty                Reason = "LOT_EMPTY"
	LotsDiffer              Reason = "LOTS_DIFFER"
	StepNotOpen             Reason = "STEP_NOT_OPEN"
	StepAlreadyConfirmed    Reason = "STEP_ALREADY_CONFIRMED"
	InvalidTimes            Reason = "INVALID_TIMES"
	ProgramState            Reason = "PROGRAM_STATE"
	ProofMissing            Reason = "PROOF_MISSING"
	ProductNotCandidate     Reason = "PRODUCT_NOT_CANDIDATE"
	ResistanceGroupRepeated Reason = "RESISTANCE_GROUP_REPEATED"
	LabelFactMissing        Reason = "LABEL_FACT_MISSING"
	LabelRateExceeded       Reason = "LABEL_RATE_EXCEEDED"
	LabelUseNotListed       Reason = "LABEL_USE_NOT_LISTED"
	ImportRejected          Reason = "IMPORT_REJECTED"
	TemplateInvalid         Reason = "TEMPLATE_INVALID"
	LotInProgram            Reason = "LOT_IN_PROGRAM"
	StoreUnavailable        Reason = "UNAVAILABLE"
	InternalReason          Reason = "INTERNAL"
	SetupRefused            Reason = "SETUP_REFUSED"
	EntryAlreadyCorrected   Reason = "ENTRY_ALREADY_CORRECTED"
	CertificateMissing      Reason = "CERTIFICATE_MISSING"
	BenchNotIsolated        Reason = "BENCH_NOT_ISOLATED"
	RuleRefuses             Reason = "RULE_REFUSES"
	AliasConflict           Reason = "ALIAS_CONFLICT"
	ContainerInsufficient   Reason = "CONTAINER_INSUFFICIENT"
	ReleaseUnproven         Reason = "RELEASE_UNPROVEN"
	LotOfficiallyHeld       Reason = "LOT_OFFICIALLY_HELD"
	SignsContradict         Reason = "SIGNS_CONTRADICT"
	ClimateFileRejected     Reason = "CLIMATE_FILE_REJECTED"
	PlanOutdated            Reason = "PLAN_OUTDATED"
	PlanBreaksRule          Reason = "PLAN_BREAKS_RULE"
	HouseClosed             Reason = "HOUSE_CLOSED"
	PersonUnqualified       Reason = "PERSON_UNQUALIFIED"
	RecordKept              Reason = "RECORD_KEPT"
)

// Reasons lists every reason.
func Reasons() []Reason {
	return []Reason{
		InvalidField, NotFoundReason, AlreadyExists, StaleETag, RequestIDReused, InvalidPageToken,
		NotSignedIn, PermissionDenied, PlantsInsufficient, LotHeld, LotEmpty, LotsDiffer,
		StepNotOpen, StepAlreadyConfirmed, InvalidTimes, ProgramState, ProofMissing,
		ProductNotCandidate, ResistanceGroupRepeated, LabelFactMissing, LabelRateExceeded,
		LabelUseNotListed, ImportRejected, TemplateInvalid, LotInProgram, StoreUnavailable,
		InternalReason, SetupRefused, EntryAlreadyCorrected, CertificateMissing, BenchNotIsolated,
		RuleRefuses, AliasConflict, ContainerInsufficient, ReleaseUnproven,
		LotOfficiallyHeld, SignsContradict, ClimateFileRejected,
		PlanOutdated, PlanBreaksRule, HouseClosed, PersonUnqualified, RecordKept,
	}
}
