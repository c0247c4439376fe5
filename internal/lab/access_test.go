package lab_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/access"
	"github.com/evenbench/evenbench/internal/access/keys"
	"github.com/evenbench/evenbench/internal/lab"
)

// guarded writes a lab file with an access section, and keys beside it.
func guarded(t *testing.T, listen, section string) (file string) {
	t.Helper()
	dir := t.TempDir()
	if _, _, err := keys.Folder(filepath.Join(dir, "keys")).Make(nil, nil, time.Now(), time.Now().AddDate(0, 0, 90)); err != nil {
		t.Fatal(err)
	}
	file = filepath.Join(dir, "lab.yaml")
	text := "lab: test\nlisten: {grpc: \"" + listen + "\"}\nstations: []\ninstruments: []\n" + section
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

const hubKeys = "access:\n  certificate: keys/hub.crt\n  key: keys/hub.key\n  authority: keys/ca.crt\n"

func TestAccessSection(t *testing.T) {
	token := access.TokenDigest("secret")
	file := guarded(t, "0.0.0.0:7413", hubKeys+"  clients:\n    - {name: owner, role: steward, certificate: owner}\n    - {name: board, role: observer, token: \""+token.String()+"\", until: 2027-01-31}\n")
	l, problems := lab.Load(file, options(t))
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	c := l.Access.Clients
	if len(c) != 2 || c[0].Name != "owner" || c[0].Role != access.Steward || c[0].CommonName != "owner" || !c[0].Until.IsZero() {
		t.Errorf("clients are %+v", c)
	}
	if want := time.Date(2027, 2, 1, 0, 0, 0, 0, time.UTC); c[1].Token != token || !c[1].Until.Equal(want) || c[1].Role != access.Observer {
		t.Errorf("board is %+v, want it until the end of the day that is written", c[1])
	}
	if l.Access.Authority == nil || l.Access.Certificate.Leaf == nil {
		t.Error("the hub's certificate or the authority is missing")
	}
}

// Every mistake is said with its place.
func TestWhatAnAccessSectionMayNotSay(t *testing.T) {
	digest := access.TokenDigest("secret").String()
	one := "  clients:\n    - "
	for _, c := range []struct{ what, section, place, says string }{
		{"no clients", hubKeys + "  clients: []\n", ":9:12:", "nobody is listed"},
		{"no certificate", "access:\n  clients:\n    - {name: a, role: observer, certificate: a}\n", ":6:3:", "certificate is missing"},
		{"no file", strings.Replace(hubKeys, "hub.crt", "gone.crt", 1) + one + "{name: a, role: observer, certificate: a}\n", ":6:16:", "evenbench keys make"},
		{"another's key", strings.Replace(hubKeys, "hub.key", "ca.key", 1) + one + "{name: a, role: observer, certificate: a}\n", ":6:16:", "private key does not match"},
		{"a key for an authority", strings.Replace(hubKeys, "ca.crt", "hub.key", 1) + one + "{name: a, role: observer, certificate: a}\n", ":8:14:", "holds no certificate"},
		{"no authority", strings.Replace(hubKeys, "  authority: keys/ca.crt\n", "", 1) + one + "{name: a, role: observer, certificate: a}\n", ":9:46:", "no authority"},
		{"no role", hubKeys + one + "{name: a, role: chief, certificate: a}\n", ":10:23:", `"chief" is not known`},
		{"the hub's name", hubKeys + one + "{name: hub, role: observer, certificate: a}\n", ":10:14:", "choose another name"},
		{"no credential", hubKeys + one + "{name: a, role: observer}\n", ":10:7:", "nothing says how the client is known"},
		{"two credentials", hubKeys + one + "{name: a, role: observer, certificate: a, token: \"" + digest + "\", until: 2027-01-01}\n", ":10:56:", "a client of its own"},
		{"a token without end", hubKeys + one + "{name: a, role: observer, token: \"" + digest + "\"}\n", ":10:7:", "until is missing"},
		{"the token itself", hubKeys + one + "{name: a, role: observer, token: evenbench-ABC, until: 2027-01-01}\n", ":10:40:", "does not belong in this file"},
		{"two of a name", hubKeys + one + "{name: a, role: observer, certificate: a}\n    - {name: a, role: observer, certificate: b}\n", ":11:14:", "another client"},
		{"two of a certificate", hubKeys + one + "{name: a, role: observer, certificate: a}\n    - {name: b, role: observer, certificate: a}\n", ":11:46:", "is taken by client \"a\""},
		{"a slip", hubKeys + one + "{name: a, role: observer, certifcate: a}\n", ":10:33:", "did you mean \"certificate\""},
	} {
		file := guarded(t, "127.0.0.1:7413", c.section)
		_, problems := lab.Load(file, options(t))
		if text := problems.Error(); !strings.Contains(text, file+c.place) || !strings.Contains(text, c.says) {
			t.Errorf("%s: got\n%s\nwant %s and %q", c.what, text, c.place, c.says)
		}
		if strings.Contains(problems.Error(), "evenbench-ABC") {
			t.Errorf("%s: the secret is repeated: %v", c.what, problems)
		}
	}
}

func TestOpenKeyIsRefused(t *testing.T) {
	file := guarded(t, "127.0.0.1:7413", hubKeys+"  clients:\n    - {name: a, role: observer, certificate: a}\n")
	if err := os.Chmod(filepath.Join(filepath.Dir(file), "keys", "hub.key"), 0o640); err != nil {
		t.Fatal(err)
	}
	if _, problems := lab.Load(file, options(t)); !strings.Contains(problems.Error(), ":7:8: access.key: others can read") {
		t.Errorf("a key that others can read: %v", problems)
	}
}

// The digest of an executable is read, and belongs to the instrument's fingerprint.
func TestPin(t *testing.T) {
	const pin = "ababababababababababababababababababababababababababababababab00"
	dir := ""
	load := func(line string) (*lab.Lab, string) {
		dir = t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, "run"), nil, 0o700); err != nil {
			t.Fatal(err)
		}
		text, err := os.ReadFile(labs + "scale.yaml")
		if err != nil {
			t.Fatal(err)
		}
		file := filepath.Join(dir, "lab.yaml")
		for name, content := range map[string]string{"scale.yaml": string(text), "lab.yaml": "lab: test\nstations: [{name: bench, kind: bench}]\ninstruments:\n  - {name: s, station: bench, sheet: ./scale.yaml, link: {tcp: 'a:1'}" + line + "}\n"} {
			if err := os.WriteFile(filepath.Join(dir, name), []byte(content), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		l, problems := lab.Load(file, options(t))
		return l, problems.Error()
	}
	free, said := load(", executable: ./run")
	pinned, more := load(", executable: ./run, sha256: " + pin)
	if said+more != "" {
		t.Fatal(said, more)
	}
	if got := pinned.Instruments[0].Pin; got != "sha256:"+pin {
		t.Errorf("the pin is %q", got)
	}
	// A check says where that is not its digest; the digest of nothing is from sha256sum.
	const ofNothing = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
	check := func() string {
		_, problems := lab.Check(filepath.Join(dir, "lab.yaml"), options(t))
		return problems.Error()
	}
	if said := check(); !strings.Contains(said, "lab.yaml:4:") || !strings.Contains(said, "is another executable, sha256:"+ofNothing) {
		t.Errorf("a check of another executable says %q", said)
	}
	if _, said := load(", executable: ./run, sha256: " + ofNothing); said+check() != "" {
		t.Errorf("a check of the right one says %q", said+check())
	}
	if free.Instruments[0].Pin != "" {
		t.Errorf("the free one's pin is %q", free.Instruments[0].Pin)
	}
	if _, said := load(", sha256: " + pin); !strings.Contains(said, "part of it") {
		t.Errorf("a pin without an executable: %s", said)
	}
	if _, said := load(", executable: ./run, sha256: 12"); !strings.Contains(said, "sha256sum") {
		t.Errorf("a short pin: %s", said)
	}
}
