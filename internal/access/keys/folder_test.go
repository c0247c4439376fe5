package keys_test

import (
	"crypto/x509"
	"encoding/pem"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/access"
	"github.com/evenbench/evenbench/internal/access/keys"
)

var now = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

func verify(c, authority *x509.Certificate, host string, use x509.ExtKeyUsage, at time.Time) error {
	roots := x509.NewCertPool()
	roots.AddCert(authority)
	_, err := c.Verify(x509.VerifyOptions{Roots: roots, DNSName: host, CurrentTime: at, KeyUsages: []x509.ExtKeyUsage{use}})
	return err
}

func TestMake(t *testing.T) {
	f := keys.Folder(filepath.Join(t.TempDir(), "keys"))
	end := now.AddDate(1, 0, 0)
	hub, clients, err := f.Make([]string{"hub.lab", "192.168.1.10"}, []string{"desk"}, now, end)
	if err != nil {
		t.Fatal(err)
	}
	authority := parse(t, f.Certificate(keys.AuthorityName))
	for _, host := range []string{"hub.lab", "192.168.1.10", "localhost", "127.0.0.1", "::1"} {
		if err := verify(hub.Certificate, authority, host, x509.ExtKeyUsageServerAuth, now); err != nil {
			t.Errorf("the hub as %s: %v", host, err)
		}
	}
	desk := clients[0].Certificate
	for what, err := range map[string]error{
		"the hub under another name":   verify(hub.Certificate, authority, "elsewhere.lab", x509.ExtKeyUsageServerAuth, now),
		"the hub as a client":          verify(hub.Certificate, authority, "", x509.ExtKeyUsageClientAuth, now),
		"a client as the hub":          verify(desk, authority, "", x509.ExtKeyUsageServerAuth, now),
		"a client after its end":       verify(desk, authority, "", x509.ExtKeyUsageClientAuth, end.Add(time.Second)),
		"the files made a second time": second(f),
	} {
		if err == nil {
			t.Errorf("%s is taken", what)
		}
	}
	if err := verify(desk, authority, "", x509.ExtKeyUsageClientAuth, end.Add(-time.Second)); err != nil {
		t.Errorf("the client: %v", err)
	}
	for _, name := range []string{"ca", "hub", "desk"} {
		if info, err := os.Stat(f.Key(name)); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, %v; want a file for its owner alone", f.Key(name), info.Mode(), err)
		}
	}
}

func second(f keys.Folder) error {
	_, _, err := f.Make(nil, nil, now, now.AddDate(1, 0, 0))
	return err
}

func parse(t *testing.T, file string) *x509.Certificate {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	block, _ := pem.Decode(text)
	c, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// Adding never overwrites, and renewing keeps the key, the names and the old
// certificate.
func TestAddAndRenew(t *testing.T) {
	f := keys.Folder(t.TempDir())
	if _, _, err := f.Make([]string{"hub.lab"}, []string{"desk"}, now, now.AddDate(0, 1, 0)); err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile(f.Key("desk"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Add([]string{"board", "desk"}, now, now.AddDate(1, 0, 0)); err == nil {
		t.Error("a client was made a second time")
	}
	if _, err := os.Stat(f.Key("board")); err == nil {
		t.Error("a refused command made half of what it was asked for")
	}
	if after, err := os.ReadFile(f.Key("desk")); err != nil || string(after) != string(before) {
		t.Errorf("the key of desk was overwritten, %v", err)
	}
	if _, err := f.Add([]string{"board"}, now, now.AddDate(1, 0, 0)); err != nil {
		t.Error(err)
	}

	later := now.AddDate(0, 2, 0)
	authority, old := parse(t, f.Certificate("ca")), parse(t, f.Certificate("hub"))
	_, aside, err := f.Renew("hub", nil, later, later.AddDate(1, 0, 0))
	if err != nil {
		t.Fatal(err)
	}
	renewed := parse(t, f.Certificate("hub"))
	if err := verify(renewed, authority, "hub.lab", x509.ExtKeyUsageServerAuth, later); err != nil {
		t.Errorf("the renewed certificate: %v", err)
	}
	if access.KeyDigest(renewed) != access.KeyDigest(old) {
		t.Error("the renewed certificate has another key")
	}
	if kept := parse(t, aside); !kept.Equal(old) {
		t.Error("the old certificate was not kept")
	}
	if _, _, err := f.Renew("hub", []string{"10.0.0.5"}, later, later.AddDate(1, 0, 0)); err != nil {
		t.Error(err)
	} else if err := verify(parse(t, f.Certificate("hub")), authority, "10.0.0.5", x509.ExtKeyUsageServerAuth, later); err != nil {
		t.Errorf("renewed for another address: %v", err)
	}
	if _, _, err := f.Renew("ca", nil, later, later.AddDate(1, 0, 0)); err == nil {
		t.Error("the authority was renewed, and every client would have to be told")
	}
}
