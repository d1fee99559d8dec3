package knowledge_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/diagnosis/knowledge"
)

func TestTheShippedKnowledgeIsSound(t *testing.T) {
	base := knowledge.Shipped()
	require.NotEmpty(t, base.Disorders)
	require.NotEmpty(t, base.Tests)
}
