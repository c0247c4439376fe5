package follow_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/clients/follow"
)

// Credentials that cannot work are refused before anything is sent, with the file or
// the setting that is wrong.
func TestCredentialsThatCannotWork(t *testing.T) {
	dir := t.TempDir()
	file := func(name, content string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	plain := file("plain", "not a certificate")
	for _, c := range []struct {
		what        string
		credentials follow.Credentials
		says        string
	}{
		{"no authority", follow.Credentials{Token: "secret"}, "EVENBENCH_CA"},
		{"half a pair", follow.Credentials{CA: plain, Certificate: plain}, "EVENBENCH_KEY"},
		{"two tokens", follow.Credentials{CA: plain, Token: "secret", TokenFile: plain}, "one of EVENBENCH_TOKEN"},
		{"no such file", follow.Credentials{CA: filepath.Join(dir, "gone")}, filepath.Join(dir, "gone")},
		{"no certificate in it", follow.Credentials{CA: plain}, "should be the ca.crt"},
	} {
		if _, err := c.credentials.DialOptions(); err == nil || !strings.Contains(err.Error(), c.says) || strings.Contains(err.Error(), "secret") {
			t.Errorf("%s: %v, want %q", c.what, err, c.says)
		}
	}
	if options, err := (follow.Credentials{}).DialOptions(); err != nil || options != nil {
		t.Errorf("no credentials: %v, %v; want a plain connection", options, err)
	}
}

func TestCredentialsFromTheEnvironment(t *testing.T) {
	c := follow.CredentialsFrom(func(name string) string { return "<" + name + ">" })
	want := follow.Credentials{
		CA: "<EVENBENCH_CA>", Certificate: "<EVENBENCH_CERTIFICATE>", Key: "<EVENBENCH_KEY>",
		TokenFile: "<EVENBENCH_TOKEN_FILE>", Token: "<EVENBENCH_TOKEN>",
	}
	if c != want {
		t.Errorf("read %+v", c)
	}
}
