package climate

import (
	"encoding/csv"
	"errors"
	"io"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/stretchr/testify/require"
)

// Records are cut as encoding/csv cuts them, which is slower: same cells, same
// line, broken where it finds quotes broken.
func FuzzLinesAreThoseOfEncodingCSV(f *testing.F) {
	for _, text := range []string{
		"a,b\n1,2\n", "a;b\r\n1;2\r\n", "a\tb", "\"a\",\"b,c\"\n", "\"a\nb\",c\r\n\r\n\nd\r", "\"a\"\"b\"\"\",\n", "a\"b,c\nd,e\n", "\"a\"b,c\nd\n",
		"\"open\n1,2\n", ",\n,,\n", "\"\r\n\"\r\n", "\"\",\"\"", "\r", "a\rb,c\n", "\"a\"\r", "\"\n\"\"\n\",x\n",
	} {
		f.Add(text, uint8(0))
		f.Add(text, uint8(1))
	}
	f.Fuzz(func(t *testing.T, text string, mark uint8) {
		delimiter := []byte{',', ';', '\t'}[mark%3]
		theirs := csv.NewReader(strings.NewReader(text))
		theirs.Comma, theirs.FieldsPerRecord = rune(delimiter), -1
		ours := newLines(iotest.OneByteReader(strings.NewReader(text)))
		ours.delimiter = delimiter
		for {
			want, err := theirs.Read()
			cells, line, failed := ours.next()
			if errors.Is(err, io.EOF) {
				require.ErrorIs(t, failed, io.EOF)
				return
			}
			require.NoError(t, failed)
			var broken *csv.ParseError
			if errors.As(err, &broken) {
				require.Nil(t, cells, text)
				require.Equal(t, broken.StartLine, line)
				continue
			}
			got := make([]string, len(cells))
			for i, cell := range cells {
				got[i] = string(cell)
			}
			require.Equal(t, want, got)
			first, _ := theirs.FieldPos(0)
			require.Equal(t, first, line)
		}
	})
}
