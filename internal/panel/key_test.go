package panel_test

import (
	"crypto/sha256"
	"reflect"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/panel"
)

func aKey() panel.Key {
	return panel.Key{Session: "P-0001", Seed: panel.Seed{7, 31: 9}, Cups: []panel.Cup{
		{Code: 139, Lot: "K-001", Roast: "R-0001"}, {Code: 386, Lot: "K-002"}, {Code: 645, Lot: "K-001", Roast: "R-0001", Copy: 1},
	}}
}

// The commitment can be made by whoever has the revealed key, from the words of the
// contract alone.
func TestCommitmentIsOfTheText(t *testing.T) {
	const text = "evenbench panel key 1\nP-0001\n" +
		"0700000000000000000000000000000000000000000000000000000000000009\n" +
		"139 K-001 R-0001 0\n386 K-002 - 0\n645 K-001 R-0001 1\n"
	if got := string(aKey().Text()); got != text || aKey().Commitment() != sha256.Sum256([]byte(text)) {
		t.Fatalf("%q", got)
	}
	k, err := panel.ParseKey([]byte(text))
	if err != nil || !reflect.DeepEqual(k, aKey()) {
		t.Fatal(k, err)
	}
	for what, changed := range map[string]string{
		"another head":        strings.Replace(text, "key 1", "key 2", 1),
		"cut short":           text[:len(text)-1],
		"a short seed":        strings.Replace(text, "0700", "07", 1),
		"a code in words":     strings.Replace(text, "386", "abc", 1),
		"a copy in words":     strings.Replace(text, "R-0001 1", "R-0001 x", 1),
		"a cup without roast": strings.Replace(text, " -", "", 1),
		"a leading zero":      strings.Replace(text, "386", "0386", 1),
		"nothing":             "",
	} {
		if k, err := panel.ParseKey([]byte(changed)); err == nil {
			t.Errorf("%s: read as %v", what, k)
		}
	}
}

func FuzzKey(f *testing.F) {
	f.Add(aKey().Text())
	f.Fuzz(func(t *testing.T, text []byte) {
		if k, err := panel.ParseKey(text); err == nil && string(k.Text()) != string(text) {
			t.Errorf("%q is read, and written as %q", text, k.Text())
		}
	})
}

// A pass is of one assessor, session and request.
func TestPassesDiffer(t *testing.T) {
	k, other := aKey(), aKey()
	other.Seed[5] = 1
	seen := map[[32]byte]bool{}
	for _, pass := range [][32]byte{k.Pass("1", "Ilka"), k.Pass("1", "Oren"), k.Pass("2", "Ilka"), other.Pass("1", "Ilka"), k.Commitment(), [32]byte(k.Seed)} {
		if seen[pass] {
			t.Errorf("%x comes twice", pass)
		}
		seen[pass] = true
	}
}
