package seal

import (
	"crypto/ed25519"
	"encoding/base64"
	"fmt"
	"io"
	"strings"
	"unicode"

	"golang.org/x/mod/sumdb/note"
)

// Key is a pair of keys with a name, as notes write them.
type Key struct {
	note.Signer
	// Private is to be kept, and Public to be told: "NAME+HASH+KEY".
	Private, Public string
}

// Name makes a name that a key may have of any text.
func Name(text string) string {
	name := strings.Map(func(r rune) rune {
		switch {
		case r == '+' || r == unicode.ReplacementChar:
			return -1
		case unicode.IsSpace(r) || !unicode.IsPrint(r):
			return '-'
		}
		return r
	}, strings.TrimSpace(strings.ToValidUTF8(text, "")))
	if name == "" {
		return "lab"
	}
	return name
}

// NewKey makes a pair of keys of random bytes, 32 of which are read.
func NewKey(random io.Reader, name string) (Key, error) {
	private, _, err := note.GenerateKey(random, name)
	if err != nil {
		return Key{}, fmt.Errorf("make a key for %q: %w", name, err)
	}
	return ParseKey(private)
}

// ParseKey reads a private key. The error tells nothing of it.
func ParseKey(private string) (Key, error) {
	signer, err := note.NewSigner(private)
	if err != nil {
		return Key{}, fmt.Errorf("read a private key: it is none that signs notes")
	}
	const ed25519Key = 1
	parts := strings.Split(private, "+")
	secret, err := base64.StdEncoding.DecodeString(strings.Join(parts[4:], "+"))
	if err != nil || len(secret) != 1+ed25519.SeedSize || secret[0] != ed25519Key {
		return Key{}, fmt.Errorf("read a private key: it is not of Ed25519")
	}
	public, err := note.NewEd25519VerifierKey(signer.Name(), ed25519.NewKeyFromSeed(secret[1:]).Public().(ed25519.PublicKey))
	if err != nil {
		return Key{}, fmt.Errorf("read a private key: %w", err)
	}
	return Key{signer, private, public}, nil
}

// ParsePublic reads a public key, "NAME+HASH+KEY".
func ParsePublic(public string) (note.Verifier, error) {
	if strings.HasPrefix(public, "PRIVATE+") {
		return nil, fmt.Errorf("read a public key: this is a private one; whoever has seen it can sign with it")
	}
	v, err := note.NewVerifier(public)
	if err != nil {
		const most = 100
		if len(public) > most {
			public = public[:most] + "…"
		}
		return nil, fmt.Errorf("read a public key: %q is none; one is written NAME+HASH+KEY, without spaces", public)
	}
	return v, nil
}
