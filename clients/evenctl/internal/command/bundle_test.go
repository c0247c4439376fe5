package command_test

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"

	"github.com/evenbench/evenbench/clients/internal/fakehub"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// A bundle is written, and checked without the hub; whatever is done to it is said.
func TestBundleIsHandedOver(t *testing.T) {
	server := fakehub.Start(t, fakehub.Bench())
	dir := t.TempDir()
	file := filepath.Join(dir, "k.bundle")
	r := run(t, server, "bundle", "K-001", "-o", file)
	if r.code != 0 || !strings.Contains(r.out, "verify "+file+" --key "+fakehub.LabKey.Public) {
		t.Fatalf("%+v", r)
	}
	key := filepath.Join(dir, "lab.pub")
	if err := os.WriteFile(key, []byte(fakehub.LabKey.Public+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	server.Stop() // from here on nobody has the hub
	r = run(t, server, "verify", file, "--key", key)
	if r.code != 0 {
		t.Fatalf("%+v", r)
	}
	golden(t, "verify.txt", strings.ReplaceAll(r.out, file, "k.bundle"))
	if r = run(t, server, "verify", file, "--key", fakehub.LabKey.Public, "--record"); r.code != 0 || !strings.Contains(r.out, "K-001") || !strings.Contains(r.out, "312.42") {
		t.Errorf("%+v", r)
	}
	if r = run(t, server, "verify", file, "--key", key, "--json"); r.code != 0 || !strings.Contains(r.out, `"sample":"K-001"`) {
		t.Errorf("%+v", r)
	}
	good, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	changed := bytes.Replace(good, []byte("\n24\n"), []byte("\n23\n"), 1)
	for says, text := range map[string][]byte{
		"the bundle ends in the middle":               good[:len(good)/2],
		"its text or its signature was changed":       changed,
		`and not "evenbench bundle 1": it is no bund`: []byte("%PDF-1.7\n"),
	} {
		if err := os.WriteFile(file, text, 0o600); err != nil {
			t.Fatal(err)
		}
		if r := run(t, server, "verify", file, "--key", key); r.code != 6 || !strings.Contains(r.err, says) || !strings.Contains(r.err, "k.bundle does not hold") {
			t.Errorf("%+v, want %q", r, says)
		}
	}
	if err := os.WriteFile(file, good, 0o600); err != nil {
		t.Fatal(err)
	}
	for says, args := range map[string][]string{
		"--key is missing":         {"verify", file},
		"is none; one is written":  {"verify", file, "--key", "lab"},
		"no such file":             {"verify", file + "x", "--key", key},
		"a key that was not given": {"verify", file, "--key", fakehub.Stranger.Public},
		"-o is missing":            {"bundle", "K-001"},
	} {
		if r := run(t, server, args...); r.code == 0 || !strings.Contains(r.err, says) {
			t.Errorf("%v: %+v, want %q", args, r, says)
		}
	}
}

// One side's roast is held against the other's, in its bundle.
func TestCompareWithABundle(t *testing.T) {
	server := fakehub.Start(t, fakehub.Bench())
	file := filepath.Join(t.TempDir(), "k.bundle")
	if r := run(t, server, "bundle", "K-001", "-o", file); r.code != 0 {
		t.Fatalf("%+v", r)
	}
	r := run(t, server, "compare", "K-001", "--bundle", file, "--bundle-key", fakehub.LabKey.Public, "--within", "total_time=60")
	if r.code != 0 || !strings.Contains(r.out, "alone: K-001\n") || !strings.Contains(r.out, "not roasted: K-001@cerro-azul") {
		t.Errorf("%+v", r)
	}
	if r := run(t, server, "compare", "K-001", "--bundle", file, "--bundle-key", fakehub.Stranger.Public); r.code != 6 {
		t.Errorf("%+v", r)
	}
}

func TestBundleOfUnknownSample(t *testing.T) {
	server := fakehub.Start(t, fakehub.Bench())
	file := filepath.Join(t.TempDir(), "k.bundle")
	if r := run(t, server, "bundle", "K-999", "-o", file); r.code != 5 || !strings.Contains(r.err, "K-999") {
		t.Errorf("%+v", r)
	}
	if _, err := os.Stat(file); err == nil {
		t.Error("a file was written")
	}
}

// The other side signs a record that grows, and refuses one that shrinks or has another
// past, with both checkpoints as evidence.
func TestWitnessRefusesAnotherPast(t *testing.T) {
	hub := fakehub.Bench()
	server := fakehub.Start(t, hub)
	dir := filepath.Join(t.TempDir(), "witness")
	look := func() result {
		return run(t, server, "witness", dir, "--lab", fakehub.LabKey.Public, "--name", "buyer")
	}
	if r := look(); r.code != 0 || !strings.Contains(r.out, "signed as buyer: entries 1 to 24 of cerro-azul, for the first time") {
		t.Fatalf("%+v", r)
	}
	if w := hub.Writes(); len(w) != 1 || !strings.Contains(w[0].(*pb.CosignCheckpointRequest).GetNote(), "— buyer ") {
		t.Errorf("the hub was told %v", w)
	}
	note := func(text string) *pb.Entry {
		return &pb.Entry{Cursor: uint64(len(hub.Entries) + 1), Actor: "ben", Body: &pb.Entry_NoteAdded{NoteAdded: &pb.NoteAdded{Sample: "K-001", Text: text}}}
	}
	hub.Change(func() { hub.Entries = append(hub.Entries, note("later")) })
	if r := look(); r.code != 0 || !strings.Contains(r.out, "entries 1 to 25 of cerro-azul, which begin with the 24 that were seen before") {
		t.Fatalf("%+v", r)
	}
	all := hub.Entries
	for says, change := range map[string]func(){
		"it had 25 entries, and has 24": func() { hub.Entries = all[:24] },
		"the past was changed": func() {
			hub.Entries = append(all[:23:23], note("another"))
			hub.Entries = append(hub.Entries, note("and more"), note("and more"))
		},
	} {
		hub.Change(change)
		r := look()
		evidence, err := os.ReadFile(filepath.Join(dir, "evidence"))
		if r.code != 6 || !strings.Contains(r.err, says) || err != nil || strings.Count(string(evidence), "— cerro-azul ") != 2 {
			t.Errorf("%+v, %v, %s; want %q", r, err, evidence, says)
		}
	}
	// What is refused is not seen: the record as it was is still good.
	hub.Change(func() { hub.Entries = all })
	if r := look(); r.code != 0 || !strings.Contains(r.out, "begin with the 25") {
		t.Errorf("%+v", r)
	}
	// A hub that takes no signature from such a caller: the lab is given a file.
	hub.Before = func(method string) error {
		if strings.HasSuffix(method, "CosignCheckpoint") {
			return fakehub.Refuse(codes.PermissionDenied, pb.ErrorReason_ERROR_REASON_ROLE_TOO_LOW, "no")
		}
		return nil
	}
	if r := look(); r.code != 0 || !strings.Contains(r.out, "give "+filepath.Join(dir, "cosigned")+" to the lab") {
		t.Errorf("%+v", r)
	}
	hub.Before = nil
	if r := run(t, server, "cosign", filepath.Join(dir, "cosigned")); r.code != 0 || !strings.Contains(r.out, "witnessed by buyer") {
		t.Errorf("%+v", r)
	}
	if info, err := os.Stat(filepath.Join(dir, "witness.key")); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the witness's key: %v, %v", info, err)
	}
	if r := run(t, server, "witness", dir, "--lab", fakehub.Stranger.Public); r.code != 6 {
		t.Errorf("with another lab's key: %+v", r)
	}
}

func TestCheckpointIsShown(t *testing.T) {
	server := fakehub.Start(t, fakehub.Bench())
	if r := run(t, server, "checkpoint"); r.code != 0 || !strings.Contains(r.out, "key     "+fakehub.LabKey.Public) || !strings.Contains(r.out, "signed  entries 1 to 24") {
		t.Errorf("%+v", r)
	}
}
