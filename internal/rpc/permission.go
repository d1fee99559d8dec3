package rpc

import (
	"context"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	identityv1 "velamen/gen/velamen/identity/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
)

// Roles that share permissions.
var (
	everyone  = []identityv1.Role{owner, manager, adviser, worker, auditor}
	crew      = []identityv1.Role{owner, manager, adviser, worker}
	advisers  = []identityv1.Role{owner, manager, adviser}
	managers  = []identityv1.Role{owner, manager}
	ownerOnly = []identityv1.Role{owner}
)

const (
	owner   = identityv1.Role_ROLE_OWNER
	manager = identityv1.Role_ROLE_MANAGER
	adviser = identityv1.Role_ROLE_ADVISER
	worker  = identityv1.Role_ROLE_WORKER
	auditor = identityv1.Role_ROLE_AUDITOR
)

// public are the methods that need no sign-in.
var public = []string{
	"/velamen.identity.v1.IdentityService/SetUpNursery",
	"/velamen.identity.v1.IdentityService/SignIn",
	"/grpc.health.v1.Health/Check",
	"/grpc.health.v1.Health/List",
	"/grpc.health.v1.Health/Watch",
	"/grpc.reflection.v1.ServerReflection/ServerReflectionInfo",
	"/grpc.reflection.v1alpha.ServerReflection/ServerReflectionInfo",
}

// allowed says which roles may call a method that changes something. Methods
// whose verb only reads are for everyone in the nursery. A test walks all
// methods of the contract and fails on one that is neither.
var allowed = map[string][]identityv1.Role{
	"/velamen.identity.v1.IdentityService/SignOut":       everyone,
	"/velamen.identity.v1.IdentityService/UpdateNursery": ownerOnly,
	"/velamen.identity.v1.IdentityService/CreatePerson":  ownerOnly,
	"/velamen.identity.v1.IdentityService/UpdatePerson":  ownerOnly,

	"/velamen.identity.v1.IdentityService/RecordQualification": managers,
	"/velamen.identity.v1.IdentityService/VoidQualification":   managers,

	"/velamen.stock.v1.StockService/CreateHouse":   managers,
	"/velamen.stock.v1.StockService/UpdateHouse":   managers,
	"/velamen.stock.v1.StockService/CreateBench":   managers,
	"/velamen.stock.v1.StockService/UpdateBench":   managers,
	"/velamen.stock.v1.StockService/CreateLot":     managers,
	"/velamen.stock.v1.StockService/UpdateLot":     managers,
	"/velamen.stock.v1.StockService/MoveLot":       crew,
	"/velamen.stock.v1.StockService/SplitLot":      crew,
	"/velamen.stock.v1.StockService/JoinLots":      crew,
	"/velamen.stock.v1.StockService/DisposePlants": crew,
	"/velamen.stock.v1.StockService/SellPlants":    managers,
	"/velamen.stock.v1.StockService/ImportStock":   managers,

	"/velamen.stock.v1.StockService/RecordHandling": crew,

	"/velamen.diagnosis.v1.DiagnosisService/CreateInspection": crew,
	"/velamen.diagnosis.v1.DiagnosisService/UploadPhoto":      crew,
	"/velamen.diagnosis.v1.DiagnosisService/ConfirmDiagnosis": advisers,

	"/velamen.diagnosis.v1.DiagnosisService/CreateSample":       crew,
	"/velamen.diagnosis.v1.DiagnosisService/ReceiveSample":      crew,
	"/velamen.diagnosis.v1.DiagnosisService/RecordSampleResult": advisers,
	"/velamen.diagnosis.v1.DiagnosisService/CreateDuty":         advisers,
	"/velamen.diagnosis.v1.DiagnosisService/RecordNotification": advisers,
	"/velamen.diagnosis.v1.DiagnosisService/EndDuty":            managers,
	"/velamen.diagnosis.v1.DiagnosisService/ImportClimate":      crew,
	"/velamen.diagnosis.v1.DiagnosisService/SetModelParameters": advisers,

	"/velamen.products.v1.ProductsService/CreateProduct": managers,
	"/velamen.products.v1.ProductsService/UpdateProduct": managers,

	"/velamen.products.v1.ProductsService/ImportProducts":   managers,
	"/velamen.products.v1.ProductsService/CreateAlias":      managers,
	"/velamen.products.v1.ProductsService/CreateContainer":  managers,
	"/velamen.products.v1.ProductsService/OpenContainer":    crew,
	"/velamen.products.v1.ProductsService/CountContainer":   managers,
	"/velamen.products.v1.ProductsService/DiscardContainer": managers,

	"/velamen.treatment.v1.TreatmentService/PublishTemplate": managers,
	"/velamen.treatment.v1.TreatmentService/CreateCase":      managers,
	"/velamen.treatment.v1.TreatmentService/CloseCase":       managers,
	"/velamen.treatment.v1.TreatmentService/CreateProgram":   managers,
	"/velamen.treatment.v1.TreatmentService/ConfirmStep":     crew,
	"/velamen.treatment.v1.TreatmentService/RecordBreach":    managers,
	"/velamen.treatment.v1.TreatmentService/PauseProgram":    managers,
	"/velamen.treatment.v1.TreatmentService/ResumeProgram":   managers,
	"/velamen.treatment.v1.TreatmentService/AmendProgram":    managers,
	"/velamen.treatment.v1.TreatmentService/GiveUpProgram":   managers,

	"/velamen.treatment.v1.TreatmentService/RecordAiring":         crew,
	"/velamen.treatment.v1.TreatmentService/EndAiring":            crew,
	"/velamen.treatment.v1.TreatmentService/VoidAiring":           managers,
	"/velamen.treatment.v1.TreatmentService/RecordAirMeasurement": crew,
	"/velamen.treatment.v1.TreatmentService/RecordEntry":          crew,
	"/velamen.treatment.v1.TreatmentService/EndEntry":             crew,
	"/velamen.treatment.v1.TreatmentService/RecordNotice":         crew,

	"/velamen.schedule.v1.ScheduleService/CreateSprayer": managers,
	"/velamen.schedule.v1.ScheduleService/UpdateSprayer": managers,

	"/velamen.schedule.v1.ScheduleService/UpdateWorkPattern":      managers,
	"/velamen.schedule.v1.ScheduleService/UpdateHouseCalendar":    managers,
	"/velamen.schedule.v1.ScheduleService/UpdatePlanningSettings": managers,
	"/velamen.schedule.v1.ScheduleService/CreateDayPlan":          managers,
	"/velamen.schedule.v1.ScheduleService/AcceptDayPlan":          managers,
	"/velamen.schedule.v1.ScheduleService/RejectDayPlan":          managers,
	"/velamen.schedule.v1.ScheduleService/PinJob":                 managers,
	"/velamen.schedule.v1.ScheduleService/UnpinJob":               managers,
	// It keeps nothing, but it takes the server's time.
	"/velamen.schedule.v1.ScheduleService/CompareScenarios": managers,

	"/velamen.records.v1.RecordsService/CorrectEntry": managers,
	"/velamen.records.v1.RecordsService/CloseMonth":   managers,
	"/velamen.records.v1.RecordsService/PlaceHold":    managers,
	"/velamen.records.v1.RecordsService/LiftHold":     managers,

	"/velamen.records.v1.RecordsService/UpdateDutySettings": managers,
	"/velamen.records.v1.RecordsService/RecordDuty":         managers,
	"/velamen.records.v1.RecordsService/PurgeEntries":       ownerOnly,
}

// readingVerbs begin the names of methods that change nothing. Plan is none of
// them: a plan of work is kept, a rotation is only laid out.
var readingVerbs = []string{
	"Get", "List", "Export", "Download", "Verify", "Check", "Propose", "Calculate", "Calibrate", "Assess", "PlanRotation", "Trace",
	"Watch", "Explain", "Find",
}

func rolesFor(method string) []identityv1.Role {
	if roles, ok := allowed[method]; ok {
		return roles
	}
	if reads(method) {
		return everyone
	}
	return nil
}

func reads(method string) bool {
	name := method[strings.LastIndexByte(method, '/')+1:]
	return slices.ContainsFunc(readingVerbs, func(verb string) bool { return strings.HasPrefix(name, verb) })
}

// permit refuses a caller whose role does not hold the method.
func permit(p Principal, method string) error {
	if slices.Contains(rolesFor(method), p.Role) {
		return nil
	}
	role := strings.ToLower(strings.TrimPrefix(p.Role.String(), "ROLE_"))
	return fault.New(fault.Denied, fault.PermissionDenied, "a person with the role %s may not do this", role).
		With("role", role).With("method", method)
}

// withinNursery refuses a request that mentions a resource of another nursery
// anywhere: a caller never learns whether it exists.
func withinNursery(ctx context.Context, request any) error {
	p, err := Caller(ctx)
	if err != nil {
		return err
	}
	message, ok := request.(proto.Message)
	if !ok {
		return nil
	}
	if name, foreign := foreignName(p.Nursery, message.ProtoReflect()); foreign {
		return fault.New(fault.Denied, fault.PermissionDenied, "%q is not in your nursery", name).With("name", name)
	}
	return nil
}

func foreignName(nursery string, message protoreflect.Message) (name string, foreign bool) {
	message.Range(func(field protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		switch {
		case field.IsMap():
		case field.IsList():
			for i := range value.List().Len() {
				if name, foreign = foreignValue(nursery, field, value.List().Get(i)); foreign {
					break
				}
			}
		default:
			name, foreign = foreignValue(nursery, field, value)
		}
		return !foreign
	})
	return name, foreign
}

func foreignValue(nursery string, field protoreflect.FieldDescriptor, value protoreflect.Value) (string, bool) {
	switch field.Kind() {
	case protoreflect.StringKind:
		id, isName := resource.NurseryOf(value.String())
		return value.String(), isName && id != nursery
	case protoreflect.MessageKind, protoreflect.GroupKind:
		return foreignName(nursery, value.Message())
	default:
		return "", false
	}
}
