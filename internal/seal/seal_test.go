package seal_test

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	mathrand "math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/seal"
	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
	"pgregory.net/rapid"
)

// key makes a pair of keys.
func key(t testing.TB, name string) (note.Signer, note.Verifier) {
	t.Helper()
	private, public, err := note.GenerateKey(rand.Reader, name)
	if err != nil {
		t.Fatal(err)
	}
	signer, err := note.NewSigner(private)
	if err != nil {
		t.Fatal(err)
	}
	verifier, err := note.NewVerifier(public)
	if err != nil {
		t.Fatal(err)
	}
	return signer, verifier
}

// chain makes entries of which each holds the hash of the one before, as those of a
// ledger do, with digits in them.
func chain(n int) []seal.Entry {
	r := mathrand.New(mathrand.NewPCG(12, 10))
	entries := make([]seal.Entry, n)
	hash := make([]byte, 32)
	for i := range entries {
		text := fmt.Sprintf("entry %d of %s drum-2 bean %.2f Cel", i+1, hash, 180+10*r.Float64())
		entries[i] = seal.Entry{Cursor: uint64(i + 1), Bytes: []byte(text)}
		h := sha256.Sum256(entries[i].Bytes)
		hash = h[:]
	}
	return entries
}

// record is a tree and the hashes that it was made of.
type record struct {
	seal.Tree
	hashes [][sha256.Size]byte
}

func (r *record) Append(hash [sha256.Size]byte) {
	r.Tree.Append(hash)
	r.hashes = append(r.hashes, hash)
}

func (r *record) prover() *seal.Prover {
	return r.Prover(func(first uint64, n int) ([][sha256.Size]byte, error) { return r.hashes[first-1:][:n], nil })
}

func (r *record) at(origin string, size int64) (seal.Checkpoint, error) {
	return r.prover().Checkpoint(origin, size)
}

func tree(entries []seal.Entry) *record {
	r := &record{}
	for _, e := range entries {
		r.Append(sha256.Sum256(e.Bytes))
	}
	return r
}

// lab is a record with a signed checkpoint of all of it.
type lab struct {
	entries []seal.Entry
	tree    *record
	signer  note.Signer
	keys    []note.Verifier
	signed  string
}

func newLab(t testing.TB, n int) *lab {
	t.Helper()
	l := &lab{entries: chain(n)}
	l.tree = tree(l.entries)
	signer, verifier := key(t, "lab.example")
	buyer, bought := key(t, "buyer.example")
	l.signer, l.keys = signer, []note.Verifier{verifier, bought}
	c, err := l.tree.at("record 4711", int64(n))
	if err != nil {
		t.Fatal(err)
	}
	signed, err := seal.Sign(c, signer)
	if err != nil {
		t.Fatal(err)
	}
	if l.signed, err = seal.Cosign(signed, l.keys[:1], buyer); err != nil {
		t.Fatal(err)
	}
	return l
}

func (l *lab) bundle(t testing.TB, cursors ...int) []byte {
	t.Helper()
	var entries []seal.Entry
	for _, c := range cursors {
		entries = append(entries, l.entries[c-1])
	}
	b, err := l.tree.prover().Bundle(l.signed, l.keys, entries)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestBundleHoldsWhatItSays(t *testing.T) {
	l := newLab(t, 37)
	b := l.bundle(t, 3, 4, 5, 20, 37)
	o, err := seal.Verify(b, l.keys)
	if err != nil {
		t.Fatal(err)
	}
	if o.Checkpoint.Origin != "record 4711" || o.Checkpoint.Size != 37 || fmt.Sprint(o.SignedBy) != "[lab.example buyer.example]" || len(o.Entries) != 5 {
		t.Errorf("%+v", o)
	}
	for i, c := range []int{3, 4, 5, 20, 37} {
		if e := o.Entries[i]; e.Cursor != uint64(c) || !bytes.Equal(e.Bytes, l.entries[c-1].Bytes) {
			t.Errorf("entry %+v, want that of %d", e, c)
		}
	}
	if !strings.HasPrefix(string(b), "evenbench bundle 1\ncheckpoint 6\nrecord 4711\n37\n") {
		t.Errorf("it begins %q", b[:60])
	}
}

// P5: whatever byte of a bundle is changed, it is refused.
func TestP5_ChangedBundleIsRefused(t *testing.T) {
	l := newLab(t, 11)
	b := l.bundle(t, 2, 3, 7, 8)
	for at := range b {
		for _, by := range []byte{1, 0x20, 0x80} {
			changed := bytes.Clone(b)
			changed[at] ^= by
			if _, err := seal.Verify(changed, l.keys); err == nil {
				t.Fatalf("byte %d changed from %q to %q, and it still holds:\n%s", at, b[at], changed[at], changed)
			}
		}
		if _, err := seal.Verify(b[:at], l.keys); err == nil {
			t.Fatalf("cut off at byte %d it still holds", at)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		changed := bytes.Clone(b)
		from := rapid.IntRange(0, len(b)).Draw(t, "from")
		to := rapid.IntRange(from, len(b)).Draw(t, "to")
		changed = append(append(changed[:from:from], rapid.SliceOf(rapid.Byte()).Draw(t, "with")...), b[to:]...)
		if _, err := seal.Verify(changed, l.keys); err == nil && !bytes.Equal(changed, b) {
			t.Fatalf("bytes %d to %d replaced, and it still holds", from, to)
		}
	})
}

// P5: a digit that is changed in an entry is named, also by somebody who writes the
// bundle anew with it: by the entry's own hash, by the next entry, or by the root.
func TestP5_ChangedDigitIsNamed(t *testing.T) {
	l := newLab(t, 30)
	entries := []seal.Entry{l.entries[9], l.entries[10], l.entries[11], l.entries[20]}
	for i, e := range entries {
		digit := bytes.LastIndexAny(e.Bytes, "0123456789")
		changed := bytes.Clone(e.Bytes)
		changed[digit] = '0' + (changed[digit]-'0'+1)%10

		forged := slices.Clone(entries)
		forged[i].Bytes = changed
		where := fmt.Sprintf("entry %d", e.Cursor)
		// Its bytes alone: the hash beside them tells. The first may also be what all of
		// them were made of.
		first := where
		if i == 0 {
			first = "entries 10 to 21"
		}
		wants(t, string(seal.Forge(l.signed, l.tree.prover(), forged, entries)), l.keys, e.Cursor, first)
		// Its bytes and its hash: the next entry tells, or else the root.
		cursor := e.Cursor
		if i > 1 { // what follows it in the record is not in the bundle
			where, cursor = "proof", 0
		}
		wants(t, string(seal.Forge(l.signed, l.tree.prover(), forged, forged)), l.keys, cursor, where)
	}
}

func wants(t *testing.T, bundle string, keys []note.Verifier, cursor uint64, where string) {
	t.Helper()
	_, err := seal.Verify([]byte(bundle), keys)
	var a *seal.Altered
	if !errors.As(err, &a) || a.Where != where || a.Cursor != cursor {
		t.Errorf("%v, want it at %s", err, where)
	}
}

// Any entries of any record are proved; the proof of a single one is that of tlog.
func TestBundlesOfAnyEntries(t *testing.T) {
	signer, verifier := key(t, "lab.example")
	keys := []note.Verifier{verifier}
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 40).Draw(t, "entries")
		entries := chain(n)
		record := tree(entries)
		size := rapid.IntRange(1, n).Draw(t, "size")
		c, err := record.at("r", int64(size))
		if err != nil {
			t.Fatal(err)
		}
		if root, err := tlog.TreeHash(int64(size), record.prover()); err != nil || root != c.Root {
			t.Fatalf("root %v, tlog has %v (%v)", c.Root, root, err)
		}
		signed, err := seal.Sign(c, signer)
		if err != nil {
			t.Fatal(err)
		}
		var some []seal.Entry
		for _, e := range entries[:size] {
			if rapid.Bool().Draw(t, "with") {
				some = append(some, e)
			}
		}
		if len(some) == 0 {
			some = entries[:1]
		}
		b, err := record.prover().Bundle(signed, keys, some)
		if err != nil {
			t.Fatal(err)
		}
		o, err := seal.Verify(b, keys)
		if err != nil || fmt.Sprint(o.Entries) != fmt.Sprint(some) {
			t.Fatalf("%v: %v, want %v", err, o.Entries, some)
		}
		if len(some) == 1 {
			index := int64(some[0].Cursor) - 1
			want, err := tlog.ProveRecord(int64(size), index, record.prover())
			if err != nil {
				t.Fatal(err)
			}
			for _, h := range want {
				if !strings.Contains(string(b), "\n"+h.String()+"\n") {
					t.Fatalf("the proof lacks %v of tlog's", h)
				}
			}
			if !strings.Contains(string(b), fmt.Sprintf("\nproof %d\n", len(want))) {
				t.Fatalf("the proof is not as long as tlog's, %d", len(want))
			}
		}
	})
}

// A record that grew is shown to hold its past; one whose past was changed is not.
func TestGrowth(t *testing.T) {
	entries := chain(50)
	record := tree(entries)
	other := chain(50)
	other[3].Bytes[0]++
	changed := tree(other)
	for from := int64(1); from <= 50; from += 7 {
		for to := from; to <= 50; to += 9 {
			older, newer := checkpoint(t, record, from), checkpoint(t, record, to)
			proof, err := record.prover().Growth(from, to)
			if err != nil {
				t.Fatal(err)
			}
			if err := seal.CheckGrowth(older, newer, proof); err != nil {
				t.Errorf("from %d to %d: %v", from, to, err)
			}
			proof, err = changed.prover().Growth(from, to)
			if err != nil {
				t.Fatal(err)
			}
			if err := seal.CheckGrowth(older, checkpoint(t, changed, to), proof); from > 3 && (err == nil || !strings.Contains(err.Error(), "the past was changed")) {
				t.Errorf("from %d to %d with a changed past: %v", from, to, err)
			}
		}
	}
	older, newer := checkpoint(t, record, 5), checkpoint(t, record, 9)
	if err := seal.CheckGrowth(newer, older, nil); err == nil || !strings.Contains(err.Error(), "must be the shorter") {
		t.Error(err)
	}
	newer.Origin = "another"
	if err := seal.CheckGrowth(older, newer, nil); err == nil || !strings.Contains(err.Error(), "of two records") {
		t.Error(err)
	}
}

func checkpoint(t testing.TB, record *record, size int64) seal.Checkpoint {
	t.Helper()
	c, err := record.at("record", size)
	if err != nil {
		t.Fatal(err)
	}
	return c
}
