package link

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/evenbench/evenbench/internal/document"
)

// longestSecret is how much of a password file is read, in bytes: a file that is
// longer is another one.
const longestSecret = 4 << 10

// Secret is a password that a link names and does not have in it: it is in a file,
// or in a variable of the environment. Neither is read before it is needed, so that
// a new password takes effect at the next connection.
type Secret struct{ file, variable string }

// ReadSecret reads where the password of a user is, and records what is wrong with
// that.
func ReadSecret(n *document.Node) (user string, s Secret) {
	user = n.Field("user").Text("")
	s = Secret{file: Path(n.Field("password_file")), variable: variable(n.Field("password_env"))}
	n.Field("password").Problem("a lab file is read by many: write the password into a file that only the hub may read, and its path here as password_file, or the name of a variable of the hub's environment as password_env")
	if s.file != "" && s.variable != "" {
		n.Field("password_env").Problem("there is a password_file as well: leave one of them out")
	}
	if user == "" && s.Given() {
		n.Problem("has a password, but no user: add user")
	}
	return user, s
}

// Path reads the path of a file. A driver runs in a folder of its own, where a
// relative one would name something else.
func Path(n *document.Node) string {
	p := n.Text("")
	if p != "" && !filepath.IsAbs(p) {
		n.Problem("%q is no full path: write it from the root on", p)
	}
	return p
}

// variable reads the name of a variable of the environment. What is no name may be
// the password itself, and is not shown.
func variable(n *document.Node) string {
	v := n.Text("")
	rest := strings.Trim(v, "_ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789")
	if v != "" && (rest != "" || v[0] >= '0' && v[0] <= '9') {
		n.Problem("is no name of a variable: use letters, digits and '_' (the name, and not the password)")
	}
	return v
}

// Given tells whether there is a password.
func (s Secret) Given() bool { return s.file != "" || s.variable != "" }

// Value reads the password; nil if there is none. Its errors do not say it.
func (s Secret) Value() ([]byte, error) {
	switch {
	case s.variable != "":
		text := os.Getenv(s.variable)
		if text == "" {
			return nil, fmt.Errorf("read the password: the hub's environment has no variable %s", s.variable)
		}
		return []byte(text), nil
	case s.file != "":
		return s.read()
	}
	return nil, nil
}

func (s Secret) read() ([]byte, error) {
	info, err := os.Stat(s.file)
	switch {
	case err != nil:
		return nil, fmt.Errorf("read the password: %w", err)
	case !info.Mode().IsRegular() || info.Size() > longestSecret:
		return nil, fmt.Errorf("read the password: %s is no plain file of at most %d bytes", s.file, longestSecret)
	}
	text, err := os.ReadFile(s.file)
	if err != nil {
		return nil, fmt.Errorf("read the password: %w", err)
	}
	// An editor ends the last line.
	secret := []byte(strings.TrimRight(string(text), "\r\n"))
	if len(secret) == 0 {
		return nil, fmt.Errorf("read the password: %s is empty", s.file)
	}
	return secret, nil
}
