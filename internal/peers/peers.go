// Package peers finds the programs that tests run against: real
// counterparts that nobody here wrote. A test whose peer is missing is
// skipped with the reason, and fails where EVENBENCH_PEERS=1 says that all peers
// are installed.
package peers

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"
)

// Python is Debian's own interpreter, which sees Debian's modules, whatever
// other Python comes first on PATH.
const Python = "/usr/bin/python3"

// Command returns the path of a program, or ends the test.
func Command(t testing.TB, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		missing(t, "program "+name)
	}
	return path
}

// PythonModules returns the path of a Python that has the modules, or ends the
// test.
func PythonModules(t testing.TB, modules ...string) string {
	t.Helper()
	Command(t, Python)
	for _, m := range modules {
		if exec.Command(Python, "-c", "import "+m).Run() != nil {
			missing(t, "Python module "+m)
		}
	}
	return Python
}

// File ends the test if a file that a peer needs is not there; of says what brings
// it.
func File(t testing.TB, path, of string) {
	t.Helper()
	if _, err := os.Stat(path); err != nil {
		missing(t, fmt.Sprintf("%s (%s)", of, path))
	}
}

// Need ends the test if the machine lacks something; lack says what, and is empty if
// not.
func Need(t testing.TB, lack string) {
	t.Helper()
	switch {
	case lack == "":
	case everyPeer():
		t.Fatalf("%s, and EVENBENCH_PEERS=1 says that nothing is missing", lack)
	default:
		t.Skip(lack)
	}
}

// GoTool returns the path of a tool of the module internal/tools, or ends the test.
// Such a tool is fetched and built when it is first asked for, which takes minutes:
// so only where all peers are asked for.
func GoTool(t testing.TB, name string) string {
	t.Helper()
	if !everyPeer() {
		t.Skipf("tool %s is built only with EVENBENCH_PEERS=1", name)
	}
	c := exec.Command("go", "tool", "-modfile=internal/tools/go.mod", "-n", name)
	c.Dir = root(t)
	var complaints bytes.Buffer
	c.Stderr = &complaints
	path, err := c.Output()
	if err != nil {
		t.Fatalf("build tool %s: %v\n%s", name, err, &complaints)
	}
	return strings.TrimSpace(string(path))
}

// root is the folder of the module, whatever package asks.
func root(t testing.TB) string {
	t.Helper()
	dir, err := exec.Command("go", "list", "-m", "-f", "{{.Dir}}").Output()
	if err != nil {
		t.Fatalf("find the module: %v", err)
	}
	return strings.TrimSpace(string(dir))
}

func everyPeer() bool { return os.Getenv("EVENBENCH_PEERS") == "1" }

func missing(t testing.TB, what string) {
	t.Helper()
	if everyPeer() {
		t.Fatalf("%s is not installed, and EVENBENCH_PEERS=1 says that every peer is", what)
	}
	t.Skipf("%s is not installed", what)
}
