package identity

import (
	"context"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	identityv1 "velamen/gen/velamen/identity/v1"
)

func TestAPasswordMatchesItsOwnHashAlone(t *testing.T) {
	ctx := context.Background()
	p := newPasswords()
	hash, err := p.hash(ctx, "correct horse battery")
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(hash, "$argon2id$v=19$m=19456,t=2,p=1$"), hash)

	again, err := p.hash(ctx, "correct horse battery")
	require.NoError(t, err)
	require.NotEqual(t, hash, again, "the salt is random")

	for _, test := range []struct {
		name, stored, password string
		want                   bool
	}{
		{"the password", hash, "correct horse battery", true},
		{"another password", hash, "correct horse batterY", false},
		{"no hash", "", "correct horse battery", false},
		{"no hash and no password", "", "", false},
		{"damaged hash", hash[:len(hash)-4], "correct horse battery", false},
		{"another scheme", strings.Replace(hash, "argon2id", "argon2i", 1), "correct horse battery", false},
		{"the key of the stand-in for a missing hash", "$argon2id$v=19$m=19456,t=2,p=1$$", "", false},
	} {
		t.Run(test.name, func(t *testing.T) {
			got, err := p.verify(ctx, test.stored, test.password)
			require.NoError(t, err)
			require.Equal(t, test.want, got)
		})
	}
}

// Values of the reference implementation (phc-winner-argon2, src/test.c), with
// costs other than ours: a hash carries its own, so that one made by an earlier
// version goes on matching.
func TestStoredHashesMatchAsTheReferenceComputesThem(t *testing.T) {
	for _, stored := range []string{
		"$argon2id$v=19$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
		"$argon2id$v=19$m=256,t=2,p=2$c29tZXNhbHQ$bQk8UB/VmZZF4Oo79iDXuL5/0ttZwg2f/5U52iv1cDc",
		"$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc",
	} {
		t.Run(stored, func(t *testing.T) {
			right, err := newPasswords().verify(context.Background(), stored, "password")
			require.NoError(t, err)
			require.True(t, right)
		})
	}
}

func TestHashingWaitsForASlotNoLongerThanItsCaller(t *testing.T) {
	p := newPasswords()
	for range hashingAtOnce {
		p.slots <- struct{}{}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	_, err := p.hash(ctx, "correct horse battery")
	require.ErrorIs(t, err, context.Canceled)
	_, err = p.verify(ctx, "", "correct horse battery")
	require.ErrorIs(t, err, context.Canceled)
}

func TestRequestsWithPasswordsAreToldApartWithoutAQuickHash(t *testing.T) {
	ctx := context.Background()
	p := newPasswords()
	bare := &identityv1.CreatePersonRequest{Parent: "nurseries/test", PersonId: "sipho"}
	first, err := p.content(ctx, bare, "id-1", "correct horse battery")
	require.NoError(t, err)
	same, err := p.content(ctx, bare, "id-1", "correct horse battery")
	require.NoError(t, err)
	require.Equal(t, first, same)
	for _, test := range []struct{ name, id, password, person string }{
		{"another password", "id-1", "correct horse batterY", "sipho"},
		{"another request id", "id-2", "correct horse battery", "sipho"},
		{"another person", "id-1", "correct horse battery", "thandi"},
		{"no password", "id-1", "", "sipho"},
	} {
		t.Run(test.name, func(t *testing.T) {
			other, err := p.content(ctx, &identityv1.CreatePersonRequest{Parent: "nurseries/test", PersonId: test.person}, test.id, test.password)
			require.NoError(t, err)
			require.NotEqual(t, first, other)
		})
	}
}

func FuzzParseHashed(f *testing.F) {
	f.Add("$argon2id$v=19$m=19456,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc")
	f.Add("$argon2id$v=19$m=4294967295,t=0,p=0$$")
	f.Add("$$$$$")
	f.Fuzz(func(t *testing.T, text string) {
		h, err := parseHashed(text)
		if err != nil {
			return
		}
		require.True(t, h.bounded())
		require.Equal(t, text, h.String(), "what is read is what would be written")
	})
}

func TestZonesMustBeNamed(t *testing.T) {
	for _, test := range []struct {
		name string
		good bool
	}{
		{"Africa/Johannesburg", true},
		{"America/Los_Angeles", true},
		{"UTC", true},
		{"", false},
		{"Local", false},
		{"Mars/Olympus", false},
		{"../../etc/passwd", false},
	} {
		t.Run(test.name, func(t *testing.T) {
			location, err := zone("time_zone", test.name)
			require.Equal(t, test.good, err == nil, "%v", err)
			require.Equal(t, test.good, location != nil)
		})
	}
}
