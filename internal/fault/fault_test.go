package fault_test

import (
	"errors"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
)

func TestReasonsAreThoseOfTheContract(t *testing.T) {
	inCode := map[string]bool{}
	for _, reason := range fault.Reasons() {
		inCode["REASON_"+string(reason)] = true
	}
	for number, name := range typev1.Reason_name {
		if number == 0 {
			continue
		}
		require.True(t, inCode[name], "%s stands in the contract and not in the code", name)
		delete(inCode, name)
	}
	require.Empty(t, inCode, "reasons that stand in the code and not in the contract")
}

func TestFaultNamesFieldAndKeepsItsCauseOutOfTheMessage(t *testing.T) {
	cause := errors.New("connection reset")
	f := fault.Field("plants", "must be at least %d", 1).With("minimum", "1").Because(cause)

	require.Equal(t, "plants: must be at least 1", f.Error())
	require.Equal(t, map[string]string{"minimum": "1"}, f.Values)
	require.ErrorIs(t, f, cause)

	wrapped := fmt.Errorf("sell plants: %w", f)
	require.True(t, fault.Is(wrapped, fault.InvalidField))
	require.False(t, fault.Is(cause, fault.InvalidField))
}

func TestWithLeavesTheOriginalAlone(t *testing.T) {
	original := fault.Missing("lot", "nurseries/n/lots/x")
	_ = original.With("extra", "1")
	require.NotContains(t, original.Values, "extra")
}
