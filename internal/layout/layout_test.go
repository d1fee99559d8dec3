package layout

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

const module = "velamen/"

// order is the direction of reading: a service may import those before it and
// never one after it. What has to travel back goes through the outbox.
var order = []string{"identity", "stock", "diagnosis", "products", "treatment", "schedule", "records"}

const pgx = "github.com/jackc/pgx/v5"

// drivers are what pure domain code does without, so that a rule of the trade
// can be read and tested with nothing but its facts. A use case may hand on the
// transaction it runs in, so naming pgx.Tx is not counted as importing pgx;
// whatever asks the database something is.
var drivers = []string{"google.golang.org/grpc", "github.com/jackc/pgx", "go.temporal.io"}

// adapters are the files of a service that are allowed drivers.
var adapters = []string{
	"service*.go", "store*.go", "workflow*.go", "activities*.go", "outbox*.go", "relay*.go", "*_test.go",
}

// boundary forbids the files under some folders to import some packages.
// Folders and packages stand for everything below them.
type boundary struct {
	name    string
	folders []string
	// exceptFolders and exceptFiles are free of the rule; files are patterns
	// of path.Match on the file's name.
	exceptFolders []string
	exceptFiles   []string
	forbidden     []string
}

func boundaries() []boundary {
	rules := []boundary{
		{
			name:        "domain files and use cases import no gRPC, database or Temporal",
			folders:     []string{"services"},
			exceptFiles: adapters,
			forbidden:   drivers,
		},
		{
			name:          "only internal/engine/embedded links Temporal's server, so that the rest builds without it",
			folders:       []string{"cmd", "internal", "services"},
			exceptFolders: []string{"internal/engine/embedded"},
			forbidden:     []string{"go.temporal.io/server"},
		},
		{
			name:          "plumbing knows no service",
			folders:       []string{"internal"},
			exceptFolders: []string{"internal/demo", "internal/web", "internal/server"},
			forbidden:     []string{module + "services"},
		},
		{
			name:        "test databases, replayed histories and read-back pages stay in tests",
			folders:     []string{"cmd", "internal", "services"},
			exceptFiles: []string{"*_test.go"},
			// The test helpers themselves are production files of their own packages.
			exceptFolders: []string{"internal/postgres/pgtest", "internal/engine/replaytest", "internal/page/pagetest"},
			forbidden:     []string{module + "internal/postgres/pgtest", module + "internal/engine/replaytest", module + "internal/page/pagetest"},
		},
		{
			name:      "invented data stays in the demo",
			folders:   []string{"internal", "services"},
			forbidden: []string{module + "internal/demo"},
			// The demo's own packages may be split.
			exceptFolders: []string{"internal/demo"},
		},
		{
			name:      "services are joined in internal/server and shown by internal/web, which they do not know",
			folders:   []string{"services"},
			forbidden: []string{module + "internal/server", module + "internal/web"},
		},
	}
	for i, service := range order[:len(order)-1] {
		later := order[i+1:]
		rule := boundary{
			name:    service + " does not import " + strings.Join(later, ", "),
			folders: []string{"services/" + service},
		}
		for _, other := range later {
			rule.forbidden = append(rule.forbidden, module+"services/"+other)
		}
		rules = append(rules, rule)
	}
	return rules
}

// below says whether a slash-separated path is root or lies under it.
func below(name, root string) bool {
	return name == root || strings.HasPrefix(name, root+"/")
}

func anyBelow(name string, roots []string) bool {
	return slices.ContainsFunc(roots, func(root string) bool { return below(name, root) })
}

func (b boundary) covers(file string) bool {
	if !anyBelow(file, b.folders) || anyBelow(file, b.exceptFolders) {
		return false
	}
	return !slices.ContainsFunc(b.exceptFiles, func(pattern string) bool {
		match, err := path.Match(pattern, path.Base(file))
		return err == nil && match
	})
}

// crossed names the boundaries that a file crosses by one import.
func crossed(file, imported string) []string {
	var names []string
	for _, b := range boundaries() {
		if b.covers(file) && anyBelow(imported, b.forbidden) {
			names = append(names, b.name)
		}
	}
	return names
}

// namesOnlyTheTransaction says whether pgx.Tx is all a file uses of pgx.
func namesOnlyTheTransaction(file *ast.File) bool {
	only := true
	ast.Inspect(file, func(node ast.Node) bool {
		selector, ok := node.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		if from, ok := selector.X.(*ast.Ident); ok && from.Name == "pgx" && selector.Sel.Name != "Tx" {
			only = false
		}
		return only
	})
	return only
}

// imports calls visit for each import of each Go file of the repository that
// counts as one, whatever its build tags, with slash-separated paths from its
// root.
func imports(t *testing.T, visit func(file, imported string)) {
	t.Helper()
	const root = "../.."
	for _, folder := range []string{"cmd", "internal", "services"} {
		err := filepath.WalkDir(filepath.Join(root, folder), func(name string, entry fs.DirEntry, err error) error {
			if err != nil || entry.IsDir() || path.Ext(name) != ".go" {
				return err
			}
			parsed, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.SkipObjectResolution)
			if err != nil {
				return err
			}
			relative, err := filepath.Rel(root, name)
			if err != nil {
				return err
			}
			for _, spec := range parsed.Imports {
				imported, err := strconv.Unquote(spec.Path.Value)
				if err != nil {
					return err
				}
				if imported == pgx && spec.Name == nil && namesOnlyTheTransaction(parsed) {
					continue
				}
				visit(filepath.ToSlash(relative), imported)
			}
			return nil
		})
		require.NoError(t, err)
	}
}

func TestNoFileCrossesABoundary(t *testing.T) {
	imports(t, func(file, imported string) {
		for _, name := range crossed(file, imported) {
			t.Errorf("%s imports %s, but %s", file, imported, name)
		}
	})
}

func TestEveryServiceHasItsPlaceInTheOrder(t *testing.T) {
	folders, err := filepath.Glob("../../services/*")
	require.NoError(t, err)
	for _, folder := range folders {
		require.Contains(t, order, filepath.Base(folder))
	}
}

func TestOnlyTheTransactionIsFree(t *testing.T) {
	for _, test := range []struct {
		body string
		free bool
	}{
		{"func confirm(tx pgx.Tx) error { return store(tx) }", true},
		{"func confirm(tx pgx.Tx) error { return pgx.ErrNoRows }", false},
		{"var args = pgx.NamedArgs{}", false},
	} {
		source := "package stock\nimport \"" + pgx + "\"\n" + test.body
		file, err := parser.ParseFile(token.NewFileSet(), "case.go", source, parser.SkipObjectResolution)
		require.NoError(t, err)
		require.Equal(t, test.free, namesOnlyTheTransaction(file), test.body)
	}
}

func TestBoundariesAreSeen(t *testing.T) {
	for _, test := range []struct {
		file, imported string
		crosses        bool
	}{
		{"services/stock/lot.go", "github.com/jackc/pgx/v5", true},
		{"services/stock/lot.go", "google.golang.org/grpc/codes", true},
		{"services/stock/lot.go", "velamen/gen/velamen/stock/v1", false},
		{"services/stock/store_lots.go", "github.com/jackc/pgx/v5", false},
		{"services/stock/service.go", "google.golang.org/grpc", false},
		{"services/treatment/workflow.go", "go.temporal.io/sdk/workflow", false},
		{"services/treatment/template.go", "go.temporal.io/sdk/workflow", true},
		{"services/treatment/rules/rotation.go", "go.temporal.io/sdk/temporal", true},

		{"services/treatment/mix.go", "velamen/services/products", false},
		{"services/products/label.go", "velamen/services/treatment", true},
		{"services/products/label_test.go", "velamen/services/treatment", true},
		{"services/identity/member.go", "velamen/services/records", true},
		{"services/records/ledger.go", "velamen/services/identity", false},

		{"internal/engine/embedded/server.go", "go.temporal.io/server/temporal", false},
		{"internal/engine/engine.go", "go.temporal.io/server/temporal", true},
		{"cmd/velamen/up.go", "go.temporal.io/server/common/config", true},

		{"internal/rpc/server.go", "velamen/services/stock", true},
		{"internal/web/desk.go", "velamen/services/stock", false},
		{"internal/server/services.go", "velamen/services/stock", false},
		{"internal/cli/stock.go", "velamen/services/stock", true},
		{"internal/server/services.go", "velamen/services/stock", false},
		{"internal/demo/nursery.go", "velamen/services/stock", false},

		{"services/stock/store.go", "velamen/internal/postgres/pgtest", true},
		{"services/stock/store_test.go", "velamen/internal/postgres/pgtest", false},

		{"services/stock/house.go", "velamen/internal/demo", true},
		{"cmd/velamen/demo.go", "velamen/internal/demo", false},
		{"services/records/report.go", "velamen/internal/web", true},
	} {
		t.Run(test.file+" imports "+test.imported, func(t *testing.T) {
			require.Equal(t, test.crosses, len(crossed(test.file, test.imported)) > 0)
		})
	}
}
