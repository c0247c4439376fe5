package seal_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/seal"
	"golang.org/x/mod/sumdb/note"
)

// Only signatures that were checked count, the lab's first.
func TestWhoseSignaturesCount(t *testing.T) {
	l := newLab(t, 5)
	b := l.bundle(t, 2)
	_, stranger := key(t, "lab.example")
	for _, c := range []struct {
		says string
		keys []note.Verifier
	}{
		{"no key is given", nil},
		{"it is signed by buyer.example+", l.keys[:1]},
		{"it is signed by lab.example+", []note.Verifier{stranger, l.keys[1]}},
		{"it is signed by lab.example before buyer.example, the lab", []note.Verifier{l.keys[1], l.keys[0]}},
	} {
		if _, err := seal.Verify(b, c.keys); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v: want %q", err, c.says)
		}
	}
}

func TestWhatCannotBeSealedIsRefused(t *testing.T) {
	l := newLab(t, 5)
	other := newLab(t, 5)
	e := l.entries
	c, err := l.tree.at("record", 5)
	if err != nil {
		t.Fatal(err)
	}
	bundle := func(signed string, entries ...seal.Entry) func() error {
		return func() error { _, err := l.tree.prover().Bundle(signed, l.keys, entries); return err }
	}
	signed := func(text string) func() error {
		return func() error {
			s, err := note.Sign(&note.Note{Text: text}, l.signer)
			if err != nil {
				t.Fatal(err)
			}
			_, _, err = seal.Open(string(s), l.keys)
			return err
		}
	}
	root := c.Root.String()
	for says, do := range map[string]func() error{
		"there are none":                       bundle(l.signed),
		"entry 0 is not within":                bundle(l.signed, seal.Entry{}),
		"entry 6 is not within":                bundle(l.signed, seal.Entry{Cursor: 6}),
		"entry 2 stands behind entry 3":        bundle(l.signed, e[2], e[1]),
		"entry 3 stands behind entry 3":        bundle(l.signed, e[2], e[2]),
		"entry 1 is not the one":               bundle(l.signed, seal.Entry{Cursor: 1, Bytes: e[1].Bytes}),
		"malformed note":                       bundle("checkpoint", e[0]),
		"a key that was not given":             bundle(other.signed, e[0]),
		"a checkpoint of 6 entries":            func() error { _, err := l.tree.at("r", 6); return err },
		"a checkpoint of 0 entries":            func() error { _, err := l.tree.at("r", 0); return err },
		`the origin is "a\nb"`:                 func() error { _, err := l.tree.at("a\nb", 5); return err },
		"sign a checkpoint: no key":            func() error { _, err := seal.Sign(c); return err },
		"growth from 4 to 3":                   func() error { _, err := l.tree.prover().Growth(4, 3); return err },
		"growth from 1 to 6":                   func() error { _, err := l.tree.prover().Growth(1, 6); return err },
		"cosign a checkpoint: no key":          func() error { _, err := seal.Cosign(l.signed, nil, l.signer); return err },
		"it has 2 lines":                       signed("record\n5\n"),
		`its size "five" is no number`:         signed("record\nfive\n" + root + "\n"),
		`its root "abc" is no hash`:            signed("record\n5\nabc\n"),
		`its size "05" or root is not written`: signed("record\n05\n" + root + "\n"),
		"it is of 0 entries":                   signed("record\n0\n" + root + "\n"),
	} {
		if err := do(); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v: want %q", err, says)
		}
	}
	if got := l.tree.Size(); got != 5 {
		t.Errorf("the tree has %d entries", got)
	}
	if _, err := l.tree.prover().ReadHashes([]int64{99}); err == nil || !strings.Contains(err.Error(), "of a tree that has 5") {
		t.Error(err)
	}
}

func TestBundlesThatCannotBeReadSayWhere(t *testing.T) {
	l := newLab(t, 5)
	good := string(l.bundle(t, 2, 3))
	replaced := func(old, with string) string {
		if !strings.Contains(good, old) {
			t.Fatalf("there is no %q", old)
		}
		return strings.Replace(good, old, with, 1)
	}
	for says, text := range map[string]string{
		"line 1: the bundle ends in the middle":            "",
		`line 1: "hello", and not "evenbench bundle 1"`:    "hello\n",
		`line 2: "checkpoint -6"`:                          replaced("checkpoint 6", "checkpoint -6"),
		`line 2: "checkpoint 06"`:                          replaced("checkpoint 6", "checkpoint 06"),
		`line 2: "checkpoint 999999999"`:                   replaced("checkpoint 6", "checkpoint 999999999"),
		"the bundle has no entries":                        replaced("entries 2", "entries 0"),
		"entries 1 to 3: they cannot be unpacked: entry 2": replaced("block 2 3 2 ", "block 1 3 2 "),
		"with two cursors and two numbers":                 replaced("block 2 3 2 ", "block 2  3 2 "),
		"and not two cursors, a number from 1 to 2 and":    replaced("block 2 3 2 ", "block 2 3 3 "),
		"bytes are announced, and":                         replaced("block 2 3 2 ", "block 2 3 2 1"),
		"behind it, and not \"end\"":                       good + "more\n",
	} {
		_, err := seal.Verify([]byte(text), l.keys)
		if err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v: want %q", err, says)
		}
	}
}

func FuzzBundleIsReadOrRefused(f *testing.F) {
	l := newLab(f, 9)
	good := l.bundle(f, 2, 3, 9)
	f.Add(good)
	f.Add([]byte("evenbench bundle 1\ncheckpoint 0\nproof 0\nentries 1\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		if o, err := seal.Verify(text, l.keys); err == nil && !bytes.Equal(text, good) {
			t.Errorf("it holds, and is not what was written: %v", fmt.Sprint(o))
		}
	})
}
