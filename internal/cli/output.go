package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	typev1 "velamen/gen/velamen/type/v1"
)

// Caution is said wherever a dose, a re-entry time or a diagnosis is shown.
const Caution = "The product label and local law decide; ask for licensed advice first."

// show prints a message: its JSON form with --json, else what draw draws.
func (a *app) show(ctx context.Context, message proto.Message, draw func(s *sheet)) error {
	if a.flags.json {
		return a.showJSON(message)
	}
	s := &sheet{ctx: ctx, app: a}
	s.table = tabwriter.NewWriter(&s.drawn, 0, 0, columnGap, ' ', 0)
	draw(s)
	s.flush()
	if s.failed != nil {
		return s.failed
	}
	_, err := a.Out.Write(trimLines(s.drawn.Bytes()))
	return err
}

// showWithCaution is show for a dose, a re-entry time or a diagnosis. With
// --json the caution goes to standard error, so that the answer stays JSON.
func (a *app) showWithCaution(ctx context.Context, message proto.Message, draw func(s *sheet)) error {
	if !a.flags.json {
		return a.show(ctx, message, func(s *sheet) {
			draw(s)
			s.line("")
			s.line(Caution)
		})
	}
	if err := a.showJSON(message); err != nil {
		return err
	}
	_, err := fmt.Fprintln(a.Err, Caution)
	return err
}

// showJSON writes a message with all its fields, in the contract's order.
// protojson varies its spaces on purpose, so they are set anew.
func (a *app) showJSON(message proto.Message) error {
	options := protojson.MarshalOptions{UseProtoNames: true, EmitDefaultValues: true}
	raw, err := options.Marshal(message)
	if err != nil {
		return fmt.Errorf("write JSON: %w", err)
	}
	var indented bytes.Buffer
	if err := json.Indent(&indented, raw, "", "  "); err != nil {
		return fmt.Errorf("write JSON: %w", err)
	}
	indented.WriteByte('\n')
	_, err = a.Out.Write(indented.Bytes())
	return err
}

// trimLines removes the spaces that a table leaves behind its last column.
func trimLines(text []byte) []byte {
	lines := bytes.Split(text, []byte("\n"))
	for i, line := range lines {
		lines[i] = bytes.TrimRight(line, " ")
	}
	return bytes.Join(lines, []byte("\n"))
}

// sheet is what a command draws: lines, tables and labelled facts. It is
// printed whole at the end.
type sheet struct {
	ctx   context.Context
	app   *app
	drawn bytes.Buffer
	table *tabwriter.Writer
	// rows are those of the table that is not drawn yet, cell by cell.
	rows   [][]string
	failed error
}

// flush draws the table, no wider than a screen where its words allow it.
func (s *sheet) flush() {
	for begin := 0; begin < len(s.rows); {
		end := begin + 1
		for end < len(s.rows) && len(s.rows[end]) == len(s.rows[begin]) {
			end++
		}
		for _, line := range fitted(s.rows[begin:end]) {
			_, _ = io.WriteString(s.table, strings.Join(line, "\t")+"\t\n")
		}
		begin = end
	}
	s.rows = nil
	if err := s.table.Flush(); err != nil && s.failed == nil {
		s.failed = err
	}
}

// line ends the table before it and writes a line of text.
func (s *sheet) line(format string, args ...any) {
	s.flush()
	fmt.Fprintf(&s.drawn, format+"\n", args...)
}

// row writes a row of the table; empty cells show as a dash.
func (s *sheet) row(cells ...any) {
	texts := make([]string, len(cells))
	for i, cell := range cells {
		texts[i] = strings.ReplaceAll(printable(fmt.Sprint(cell)), "\n", " ")
		if texts[i] == "" {
			texts[i] = "-"
		}
	}
	s.rows = append(s.rows, texts)
}

// fact writes a label and a value, unless the value is empty.
func (s *sheet) fact(label string, value any) {
	text := printable(fmt.Sprint(value))
	if text == "" {
		return
	}
	s.rows = append(s.rows, []string{label + ":", text})
}

// none says so when a listing is empty.
func (s *sheet) none(count int, things string) bool {
	if count == 0 {
		s.line("There are no %s.", things)
	}
	return count == 0
}

// more says that a listing was cut off.
func (s *sheet) more(nextPageToken string) {
	if nextPageToken != "" {
		s.line("There are more; --limit 0 shows all.")
	}
}

// when writes a time on the nursery's clock; empty when there is none.
func (s *sheet) when(moment *timestamppb.Timestamp) string {
	if moment == nil || s.failed != nil {
		return ""
	}
	zone, err := s.app.nurseryZone(s.ctx)
	if err != nil {
		s.failed = err
		return ""
	}
	return showTime(moment.AsTime(), zone)
}

// amount writes a quantity; empty when there is none.
func amount(q *typev1.Quantity) string {
	if q == nil {
		return ""
	}
	return q.GetAmount() + " " + q.GetUnit()
}

func yes(value bool) string {
	if value {
		return "yes"
	}
	return "no"
}

// defaultLimit is how many rows a listing shows unless --limit says otherwise,
// and pageSize how many are asked for at a time.
const (
	defaultLimit = 200
	pageSize     = 500
)

func limitFlag(cmd *cobra.Command, limit *int) {
	cmd.Flags().IntVar(limit, "limit", defaultLimit, "show at most this many, 0 for all")
}

// page is a response of a listing.
type page interface {
	proto.Message
	GetNextPageToken() string
}

// gather fetches pages until there are as many rows as the limit, and returns
// them as one response. Its next_page_token is empty when these are all.
func gather[P page](limit int, fetch func(size int32, token string) (P, error)) (P, error) {
	var whole P
	for token, have := "", 0; ; {
		size := pageSize
		if limit > 0 {
			size = min(pageSize, limit-have)
		}
		next, err := fetch(int32(size), token)
		if err != nil {
			return whole, err
		}
		if have == 0 {
			whole = next
		} else {
			proto.Merge(whole, next)
		}
		token, have = next.GetNextPageToken(), rows(whole)
		if token == "" {
			clearNextPageToken(whole)
			return whole, nil
		}
		if limit > 0 && have >= limit {
			return whole, nil
		}
	}
}

// rows counts what a listing holds: the contract has it in field 1 (AIP-158).
func rows(message proto.Message) int {
	reflected := message.ProtoReflect()
	return reflected.Get(reflected.Descriptor().Fields().ByNumber(1)).List().Len()
}

// clearNextPageToken removes the token that an earlier page left.
func clearNextPageToken(message proto.Message) {
	reflected := message.ProtoReflect()
	reflected.Clear(reflected.Descriptor().Fields().ByName("next_page_token"))
}
