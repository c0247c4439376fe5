package peers

import (
	"bytes"
	"encoding/json"
	"os/exec"
	"path/filepath"
	"testing"
)

// numbersFolder has scripts that compute with npm packages, and package.json, which
// says what they need: npm install --no-package-lock in that folder brings it.
const numbersFolder = "internal/peers/testdata/numbers"

// NodeScript returns the command of a script that computes with npm packages, or ends
// the test.
func NodeScript(t testing.TB, script string, packages ...string) []string {
	t.Helper()
	node := Command(t, "node")
	folder := filepath.Join(root(t), numbersFolder)
	for _, p := range packages {
		File(t, filepath.Join(folder, "node_modules", filepath.FromSlash(p)), "npm package "+p+", by npm install --no-package-lock in "+numbersFolder)
	}
	return []string{node, filepath.Join(folder, script)}
}

// Ask asks a program one question, as JSON on its standard input, and reads its answer,
// which is JSON too. All inputs of a test are one question: a program a question takes
// longer to start than to answer.
func Ask(t testing.TB, question, answer any, command ...string) {
	t.Helper()
	text, err := json.Marshal(question)
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command(command[0], command[1:]...)
	c.Stdin = bytes.NewReader(text)
	var complaints bytes.Buffer
	c.Stderr = &complaints
	out, err := c.Output()
	if err != nil {
		t.Fatalf("ask %q: %v\n%s", command[0], err, &complaints)
	}
	if err := json.Unmarshal(out, answer); err != nil {
		t.Fatalf("read the answer of %q: %v\n%.1000s", command[0], err, out)
	}
}
