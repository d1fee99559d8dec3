package rpc

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	_ "velamen/gen/velamen/diagnosis/v1"
	_ "velamen/gen/velamen/identity/v1"
	_ "velamen/gen/velamen/products/v1"
	_ "velamen/gen/velamen/records/v1"
	_ "velamen/gen/velamen/schedule/v1"
	_ "velamen/gen/velamen/stock/v1"
	_ "velamen/gen/velamen/treatment/v1"
)

// contract returns every method of the contract by its gRPC name.
func contract() map[string]protoreflect.MethodDescriptor {
	methods := map[string]protoreflect.MethodDescriptor{}
	protoregistry.GlobalFiles.RangeFiles(func(file protoreflect.FileDescriptor) bool {
		if !strings.HasPrefix(string(file.Package()), "velamen.") {
			return true
		}
		for i := range file.Services().Len() {
			service := file.Services().Get(i)
			for j := range service.Methods().Len() {
				method := service.Methods().Get(j)
				methods["/"+string(service.FullName())+"/"+string(method.Name())] = method
			}
		}
		return true
	})
	return methods
}

func TestEveryMethodHasAPermissionOrReads(t *testing.T) {
	methods := contract()
	services := map[string]bool{}
	for name := range methods {
		services[name[:strings.LastIndexByte(name, '/')]] = true
		_, written := allowed[name]
		require.True(t, written || reads(name) || slices.Contains(public, name), "who may call %s?", name)
		require.False(t, written && reads(name), "%s reads by its name and changes by its permission", name)
		require.False(t, written && slices.Contains(public, name), "%s is public and has a permission", name)
	}
	require.Len(t, services, 7)
}

func TestPermissionsNameMethodsOfTheContract(t *testing.T) {
	methods := contract()
	for name := range allowed {
		require.Contains(t, methods, name)
	}
	for _, name := range public {
		if strings.HasPrefix(name, "/velamen.") {
			require.Contains(t, methods, name)
		}
	}
}

// Exactly once for people: what changes something carries a request id.
func TestMethodsThatChangeSomethingCarryARequestID(t *testing.T) {
	without := map[string]string{
		"/velamen.identity.v1.IdentityService/SignIn":           "its answer is a secret that must not be kept",
		"/velamen.identity.v1.IdentityService/SignOut":          "doing it twice is doing it once",
		"/velamen.diagnosis.v1.DiagnosisService/UploadPhoto":    "the same bytes are the same photo",
		"/velamen.schedule.v1.ScheduleService/CompareScenarios": "it keeps nothing, and is only for those whose time of the server it is",
	}
	for name, method := range contract() {
		has := carriesRequestID(method.Input())
		if _, excused := without[name]; excused || reads(name) {
			require.False(t, has, "%s carries a request id that nobody reads", name)
			continue
		}
		require.True(t, has, "%s changes something and carries no request id", name)
	}
}

func carriesRequestID(message protoreflect.MessageDescriptor) bool {
	return message.Fields().ByName("request_id") != nil
}

func TestAnAuditorChangesNothing(t *testing.T) {
	for name, roles := range allowed {
		if strings.HasSuffix(name, "/SignOut") {
			continue
		}
		require.NotContains(t, roles, auditor, name)
		require.Contains(t, roles, owner, "the owner may do everything: %s", name)
	}
}

func TestAnUnknownMethodIsForNobody(t *testing.T) {
	for _, method := range []string{"/velamen.stock.v1.StockService/BurnHouse", "/", ""} {
		for _, role := range everyone {
			require.Error(t, permit(Principal{Role: role}, method), method)
		}
	}
	require.Error(t, permit(Principal{}, "/velamen.stock.v1.StockService/GetLot"), "nobody's role")
}
