package link_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/internal/link"
)

func TestSecretsStaySecret(t *testing.T) {
	dir := t.TempDir()
	file := func(name, text string) string {
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return p
	}
	t.Setenv("EVENBENCH_TEST_SECRET", "brass-kettle")
	for _, c := range []struct {
		link, want string // want is empty where there is an error
	}{
		{"password_file: " + file("good", "brass kettle \n"), "brass kettle "},
		{"password_env: EVENBENCH_TEST_SECRET", "brass-kettle"},
		{"password_file: " + file("empty", "\n"), ""},
		{"password_file: " + file("long", strings.Repeat("kettle", 1000)), ""},
		{"password_file: " + dir, ""},
		{"password_file: " + filepath.Join(dir, "none"), ""},
		{"password_env: EVENBENCH_TEST_NOT_SET", ""},
	} {
		root := document.Parse("lab.yaml", []byte("user: hub\n"+c.link+"\n"))
		user, secret := link.ReadSecret(root.Node)
		if user != "hub" || !secret.Given() || len(root.Problems) > 0 {
			t.Errorf("%s: %v, %v", c.link, user, root.Problems)
		}
		got, err := secret.Value()
		if string(got) != c.want || (err == nil) != (c.want != "") || err != nil && strings.Contains(err.Error(), "kettle") {
			t.Errorf("%s: got %q, %v", c.link, got, err)
		}
		if said := fmt.Sprintf("%v %+v", secret, secret); strings.Contains(said, "kettle") {
			t.Errorf("%s shows as %s", c.link, said)
		}
	}
	if got, err := (link.Secret{}).Value(); got != nil || err != nil {
		t.Errorf("no secret: %q, %v", got, err)
	}
}
