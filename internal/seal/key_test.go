package seal_test

import (
	"crypto/rand"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/seal"
	"golang.org/x/mod/sumdb/note"
)

// A key signs what its public half opens, however often its base64 has a plus in it.
func TestKeysAreReadAsTheyWereWritten(t *testing.T) {
	for range 60 {
		made, err := seal.NewKey(rand.Reader, seal.Name(" Cerro Azul + sample room"))
		if err != nil {
			t.Fatal(err)
		}
		read, err := seal.ParseKey(made.Private)
		if err != nil || read.Public != made.Public || read.Name() != "Cerro-Azul--sample-room" {
			t.Fatalf("%v: %q, made as %q", err, read.Public, made.Public)
		}
		v, err := seal.ParsePublic(read.Public)
		if err != nil {
			t.Fatal(err)
		}
		text, err := note.Sign(&note.Note{Text: "it is so\n"}, read)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := note.Open(text, note.VerifierList(v)); err != nil {
			t.Fatal(err)
		}
	}
}

func TestKeysThatAreNone(t *testing.T) {
	made, err := seal.NewKey(rand.Reader, "lab")
	if err != nil {
		t.Fatal(err)
	}
	for says, public := range map[string]string{"a private one": made.Private, "is none": made.Public[1:], `"" is none`: ""} {
		if _, err := seal.ParsePublic(public); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v, want %q", err, says)
		}
	}
	if _, err := seal.ParseKey(made.Private[:40]); err == nil || strings.Contains(err.Error(), made.Private[30:40]) {
		t.Errorf("%v", err)
	}
	if got := seal.Name("\t"); got != "lab" {
		t.Errorf("a lab without a name signs as %q", got)
	}
}
