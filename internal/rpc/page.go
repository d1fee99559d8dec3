package rpc

import (
	"encoding/base64"
	"encoding/json"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"

	"velamen/internal/fault"
)

// Sizes of a page (AIP-158).
const (
	defaultPage = 50
	maxPage     = 1000
)

// PagedRequest is a List request.
type PagedRequest interface {
	proto.Message
	GetPageSize() int32
	GetPageToken() string
}

// Page is where a listing goes on: how many rows, and after which keys.
type Page struct {
	// Size is the number of rows wanted.
	Size int
	// After are the sort keys of the last row before, in the order of the
	// listing; nil at the beginning.
	After []string
	// arguments is the hash of all other arguments, to which tokens are bound.
	arguments string
}

// PageOf reads where a List request goes on. It refuses a token that was made
// for other arguments. keys is how many sort keys the listing has.
func PageOf(request PagedRequest, keys int) (Page, error) {
	page := Page{Size: clamp(int(request.GetPageSize()))}
	bare := proto.Clone(request).ProtoReflect()
	for _, name := range []string{"page_size", "page_token"} {
		for i := range bare.Descriptor().Fields().Len() {
			if field := bare.Descriptor().Fields().Get(i); string(field.Name()) == name {
				bare.Clear(field)
			}
		}
	}
	hash, err := contentHash(bare.Interface())
	if err != nil {
		return Page{}, err
	}
	page.arguments = base64.RawURLEncoding.EncodeToString(hash)
	if request.GetPageToken() == "" {
		return page, nil
	}
	page.After, err = readToken(request.GetPageToken(), page.arguments, keys)
	return page, err
}

func clamp(size int) int {
	if size == 0 {
		return defaultPage
	}
	return min(size, maxPage)
}

type token struct {
	Arguments string   `json:"a"`
	After     []string `json:"k"`
}

// BadToken returns the fault of a page token whose keys are not those of the
// listing.
func BadToken() *fault.Fault {
	return fault.FieldReason(fault.Invalid, fault.InvalidPageToken, "page_token",
		"it does not belong to this listing; start again without it")
}

// Key returns the first sort key after which a listing goes on, empty at the
// beginning.
func (p Page) Key() string {
	if p.After == nil {
		return ""
	}
	return p.After[0]
}

// Number is Key for a listing by number; at the beginning it is the given one.
func (p Page) Number(beginning int64) (int64, error) {
	if p.After == nil {
		return beginning, nil
	}
	number, err := strconv.ParseInt(p.After[0], 10, 64)
	if err != nil {
		return 0, BadToken().Because(err)
	}
	return number, nil
}

func readToken(text, arguments string, keys int) ([]string, error) {
	refused := BadToken()
	body, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil {
		return nil, refused
	}
	var t token
	if err := json.Unmarshal(body, &t); err != nil || t.Arguments != arguments || len(t.After) != keys {
		return nil, refused
	}
	if strings.ContainsRune(strings.Join(t.After, ""), 0) {
		return nil, refused
	}
	return t.After, nil
}

// Next returns the token of the page after a row with these sort keys.
func (p Page) Next(after ...string) string {
	body, err := json.Marshal(token{Arguments: p.arguments, After: after})
	if err != nil {
		panic(err) // strings always marshal
	}
	return base64.RawURLEncoding.EncodeToString(body)
}

// Cut takes the rows of a query that asked for Size+1 and returns at most Size
// with the token of the next page. keys gives a row's sort keys.
func Cut[T any](p Page, rows []T, keys func(T) []string) ([]T, string) {
	if len(rows) <= p.Size {
		return rows, ""
	}
	rows = rows[:p.Size]
	return rows, p.Next(keys(rows[p.Size-1])...)
}
