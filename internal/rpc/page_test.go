package rpc

import (
	"encoding/base64"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	stockv1 "velamen/gen/velamen/stock/v1"
	"velamen/internal/fault"
)

func TestSizeOfAPage(t *testing.T) {
	for _, test := range []struct {
		asked int32
		want  int
	}{{0, 50}, {1, 1}, {1000, 1000}, {1001, 1000}, {1 << 30, 1000}} {
		page, err := PageOf(&stockv1.ListHousesRequest{PageSize: test.asked}, 1)
		require.NoError(t, err)
		require.Equal(t, test.want, page.Size, test.asked)
		require.Nil(t, page.After)
	}
}

func TestATokenIsBoundToItsArguments(t *testing.T) {
	request := &stockv1.ListLotsRequest{Parent: "nurseries/test", PageSize: 10}
	page, err := PageOf(request, 2)
	require.NoError(t, err)
	token := page.Next("2026-03-01", "l1")

	for _, test := range []struct {
		name    string
		request *stockv1.ListLotsRequest
		keys    int
		good    bool
	}{
		{"the same", &stockv1.ListLotsRequest{Parent: "nurseries/test", PageSize: 10}, 2, true},
		{"another size", &stockv1.ListLotsRequest{Parent: "nurseries/test", PageSize: 3}, 2, true},
		{"another parent", &stockv1.ListLotsRequest{Parent: "nurseries/other", PageSize: 10}, 2, false},
		{"another order", &stockv1.ListLotsRequest{Parent: "nurseries/test", PageSize: 10}, 1, false},
	} {
		t.Run(test.name, func(t *testing.T) {
			test.request.PageToken = token
			page, err := PageOf(test.request, test.keys)
			if !test.good {
				require.True(t, fault.Is(err, fault.InvalidPageToken), err)
				return
			}
			require.NoError(t, err)
			require.Equal(t, []string{"2026-03-01", "l1"}, page.After)
		})
	}
}

func TestGarbageIsNoToken(t *testing.T) {
	page, err := PageOf(&stockv1.ListHousesRequest{}, 1)
	require.NoError(t, err)
	encode := func(body string) string { return base64.RawURLEncoding.EncodeToString([]byte(body)) }
	for _, token := range []string{
		"x", "!!!", encode("null"), encode("{}"), encode(`{"a":"","k":["h1"]}`), encode(`[1]`), page.Next(), page.Next("a", "b"),
		page.Next("a\x00b"), page.Next("a") + "=",
	} {
		_, err := PageOf(&stockv1.ListHousesRequest{PageToken: token}, 1)
		require.True(t, fault.Is(err, fault.InvalidPageToken), "%q: %v", token, err)
	}
}

func TestCut(t *testing.T) {
	keys := func(n int) []string { return []string{fmt.Sprint(n)} }
	page := Page{Size: 2, arguments: "a"}
	for _, test := range []struct {
		rows, want []int
		next       string
	}{
		{nil, nil, ""},
		{[]int{1, 2}, []int{1, 2}, ""},
		{[]int{1, 2, 3}, []int{1, 2}, page.Next("2")},
	} {
		rows, next := Cut(page, test.rows, keys)
		require.Equal(t, test.want, rows)
		require.Equal(t, test.next, next)
	}
}

func FuzzPageToken(f *testing.F) {
	page, err := PageOf(&stockv1.ListHousesRequest{}, 1)
	require.NoError(f, err)
	f.Add(page.Next("h1"))
	f.Add("e30")
	f.Add("")
	f.Fuzz(func(t *testing.T, token string) {
		page, err := PageOf(&stockv1.ListHousesRequest{PageToken: token}, 1)
		switch {
		case token == "":
			require.NoError(t, err)
			require.Nil(t, page.After)
		case err != nil:
			require.True(t, fault.Is(err, fault.InvalidPageToken), err)
		default:
			require.Len(t, page.After, 1)
			require.NotContains(t, page.After[0], "\x00")
		}
	})
}
