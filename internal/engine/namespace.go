package engine

import (
	"context"
	"errors"
	"fmt"
	"time"

	namespacepb "go.temporal.io/api/namespace/v1"
	"go.temporal.io/api/serviceerror"
	"go.temporal.io/api/workflowservice/v1"
	"go.temporal.io/sdk/client"
	"google.golang.org/protobuf/types/known/durationpb"
)

// Namespace is where all workflows of velamen live.
const Namespace = "velamen"

// Retention is how long Temporal keeps the history of a program after it
// ended. The record itself is in PostgreSQL and is kept for as long as the law
// asks; this only has to be long enough to look into something that went wrong.
const Retention = 30 * 24 * time.Hour

// pollInterval is how often a namespace that was just registered is tried.
const pollInterval = 50 * time.Millisecond

// EnsureNamespace registers the namespace if it is missing, sets its retention
// to [Retention] if it has another, and returns when the server accepts calls
// in it. It may be called at every start and by several replicas at once.
func EnsureNamespace(ctx context.Context, options Options) error {
	sdk, err := options.sdk()
	if err != nil {
		return err
	}
	if err := configureNamespace(ctx, sdk, options); err != nil {
		return err
	}
	return waitForNamespace(ctx, options)
}

func configureNamespace(ctx context.Context, sdk client.Options, options Options) error {
	namespaces, err := client.NewNamespaceClient(sdk)
	if err != nil {
		return fmt.Errorf("engine: connect to Temporal at %s: %w", options.Address, err)
	}
	defer namespaces.Close()

	name := options.namespace()
	described, err := namespaces.Describe(ctx, name)
	if _, missing := errors.AsType[*serviceerror.NamespaceNotFound](err); missing {
		return registerNamespace(ctx, namespaces, name)
	}
	if err != nil {
		return fmt.Errorf("engine: look up namespace %q: %w", name, err)
	}
	if described.GetConfig().GetWorkflowExecutionRetentionTtl().AsDuration() == Retention {
		return nil
	}
	err = namespaces.Update(ctx, &workflowservice.UpdateNamespaceRequest{
		Namespace: name,
		Config:    &namespacepb.NamespaceConfig{WorkflowExecutionRetentionTtl: durationpb.New(Retention)},
	})
	if err != nil {
		return fmt.Errorf("engine: set retention of namespace %q: %w", name, err)
	}
	return nil
}

// waitForNamespace asks for something small until the frontend knows the
// namespace. It remembers for a while that a namespace did not exist.
func waitForNamespace(ctx context.Context, options Options) error {
	c, err := Dial(ctx, options)
	if err != nil {
		return err
	}
	defer c.Close()
	ticker := time.NewTicker(pollInterval)
	defer ticker.Stop()
	for {
		_, err := c.CountWorkflow(ctx, &workflowservice.CountWorkflowExecutionsRequest{})
		if err == nil {
			return nil
		}
		if _, unknown := errors.AsType[*serviceerror.NamespaceNotFound](err); !unknown {
			return fmt.Errorf("engine: use namespace %q: %w", options.namespace(), err)
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("engine: wait for namespace %q: %w", options.namespace(), ctx.Err())
		case <-ticker.C:
		}
	}
}

func registerNamespace(ctx context.Context, namespaces client.NamespaceClient, name string) error {
	err := namespaces.Register(ctx, &workflowservice.RegisterNamespaceRequest{
		Namespace:                        name,
		Description:                      "Programs of the nurseries",
		WorkflowExecutionRetentionPeriod: durationpb.New(Retention),
	})
	if _, exists := errors.AsType[*serviceerror.NamespaceAlreadyExists](err); exists {
		return nil // another replica was quicker
	}
	if err != nil {
		return fmt.Errorf("engine: register namespace %q: %w", name, err)
	}
	return nil
}
