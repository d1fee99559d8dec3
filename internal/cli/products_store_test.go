package cli_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	identityv1 "velamen/gen/velamen/identity/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
)

// storeAnswers serves a chemical store of fixed answers and keeps the requests.
type storeAnswers struct {
	productsv1.UnimplementedProductsServiceServer
	asked proto.Message
}

func gramsOf(value string) *typev1.Quantity { return &typev1.Quantity{Amount: value, Unit: "g"} }

func bag() *productsv1.Container {
	return &productsv1.Container{
		Name: "nurseries/test/products/topspray/containers/bag-7", Batch: "B1147", Place: "shelf 2",
		Size: gramsOf("1000"), Remaining: gramsOf("-12.5"), State: productsv1.ContainerState_CONTAINER_STATE_EMPTY,
		ReceiveDate: &typev1.Date{Value: "2026-03-01"}, OpenDate: &typev1.Date{Value: "2026-03-02"},
		CreateTime: timestamppb.New(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)),
	}
}

func (a *storeAnswers) CreateContainer(_ context.Context, r *productsv1.CreateContainerRequest) (*productsv1.Container, error) {
	a.asked = r
	return bag(), nil
}

func (a *storeAnswers) OpenContainer(_ context.Context, r *productsv1.OpenContainerRequest) (*productsv1.Container, error) {
	a.asked = r
	return bag(), nil
}

func (a *storeAnswers) CountContainer(_ context.Context, r *productsv1.CountContainerRequest) (*productsv1.Container, error) {
	a.asked = r
	return bag(), nil
}

func (a *storeAnswers) DiscardContainer(_ context.Context, r *productsv1.DiscardContainerRequest) (*productsv1.Container, error) {
	a.asked = r
	return bag(), nil
}

func (a *storeAnswers) ListContainers(_ context.Context, r *productsv1.ListContainersRequest) (*productsv1.ListContainersResponse, error) {
	a.asked = r
	return &productsv1.ListContainersResponse{Containers: []*productsv1.Container{bag()}}, nil
}

func (a *storeAnswers) ListContainerEvents(_ context.Context, r *productsv1.ListContainerEventsRequest) (*productsv1.ListContainerEventsResponse, error) {
	a.asked = r
	at := timestamppb.New(time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC))
	return &productsv1.ListContainerEventsResponse{Events: []*productsv1.ContainerEvent{
		{Kind: productsv1.ContainerEventKind_CONTAINER_EVENT_KIND_RECEIVED, Change: gramsOf("1000"), Remaining: gramsOf("1000"), Person: "nurseries/test/people/mira", EventTime: at},
		{Kind: productsv1.ContainerEventKind_CONTAINER_EVENT_KIND_OPENED, Remaining: gramsOf("1000"), Person: "nurseries/test/people/mira", EventTime: at},
		{Kind: productsv1.ContainerEventKind_CONTAINER_EVENT_KIND_USED, Change: gramsOf("-1012.5"), Remaining: gramsOf("-12.5"), Person: "nurseries/test/people/wandile", Application: "nurseries/test/applications/a1", EventTime: at},
	}}, nil
}

func TestChemicalStore(t *testing.T) {
	answers := &storeAnswers{}
	c := newClient(t)
	c.conn = rpctest.Serve(t, func(server *rpc.Server) {
		identityv1.RegisterIdentityServiceServer(server, c.answers)
		productsv1.RegisterProductsServiceServer(server, answers)
	})
	const id = "6f1b4c1e-8f0a-4a3e-9d2b-0c5d7e8f9a10"
	name := bag().GetName()
	for _, test := range []struct {
		args  []string
		asked proto.Message
		file  string
	}{
		{[]string{"list"}, &productsv1.ListContainersRequest{Parent: "nurseries/test/products/-", PageSize: 200}, "store-list.txt"},
		{[]string{"list", "--product", "topspray"}, &productsv1.ListContainersRequest{Parent: "nurseries/test/products/topspray", PageSize: 200}, "store-list.txt"},
		{[]string{"add", "topspray/bag-7", "--size", "2.5 lb", "--received", "2026-03-01", "--expires", "2028-02-29", "--opened", "2026-03-02", "--batch", "B1147", "--place", "shelf 2", "--request-id", id},
			&productsv1.CreateContainerRequest{Parent: "nurseries/test/products/topspray", ContainerId: "bag-7", RequestId: id, Container: &productsv1.Container{
				Size: &typev1.Quantity{Amount: "2.5", Unit: "lb"}, ReceiveDate: &typev1.Date{Value: "2026-03-01"}, ExpireDate: &typev1.Date{Value: "2028-02-29"},
				OpenDate: &typev1.Date{Value: "2026-03-02"}, Batch: "B1147", Place: "shelf 2",
			}}, "store-container.txt"},
		{[]string{"open", "topspray/bag-7", "--on", "2026-03-02", "--request-id", id},
			&productsv1.OpenContainerRequest{Name: name, OpenDate: &typev1.Date{Value: "2026-03-02"}, RequestId: id}, "store-container.txt"},
		{[]string{"count", "topspray/bag-7", "--counted", "640g", "--note", "weighed", "--request-id", id},
			&productsv1.CountContainerRequest{Name: name, Counted: gramsOf("640"), Note: "weighed", RequestId: id}, "store-container.txt"},
		{[]string{"discard", name, "--note", "expired", "--request-id", id},
			&productsv1.DiscardContainerRequest{Name: name, Note: "expired", RequestId: id}, "store-container.txt"},
		{[]string{"history", "topspray/bag-7"}, &productsv1.ListContainerEventsRequest{Name: name, PageSize: 200}, "store-history.txt"},
	} {
		t.Run(test.args[0], func(t *testing.T) {
			out, errors, code := c.run(append([]string{"products", "store"}, test.args...)...)
			require.Zero(t, code, errors)
			require.True(t, proto.Equal(test.asked, answers.asked), answers.asked)
			golden(t, test.file, out)
		})
	}
	_, errors, code := c.run("products", "store", "open", "topspray/bag-7", "--on", "yesterday")
	require.Equal(t, 2, code)
	require.Contains(t, errors, "it must be a day such as 2026-03-01")
}
