package scaffold_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/scaffold"
	"github.com/evenbench/evenbench/plugins/ascii"
	"github.com/evenbench/evenbench/plugins/sheet"
)

// A new sheet passes the check as it is, and reads the line that it shows.
func TestNewSheetIsSound(t *testing.T) {
	start, err := scaffold.Sheet("my-meter")
	if err != nil {
		t.Fatal(err)
	}
	s, problems := sheet.Parse("x", []byte(start.Files[0].Text), sheet.Drivers{"ascii": {Sheet: ascii.Check}})
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	if s.Name != "my-meter" || start.Files[0].Path != "my-meter.yaml" {
		t.Errorf("the sheet %s is in %s", s.Name, start.Files[0].Path)
	}
}

// A new driver is built as it is, in a module of its own, and its sheet is sound.
func TestNewDriverIsBuilt(t *testing.T) {
	start, err := scaffold.Driver("drip-scale", "go")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := start.Write(dir); err != nil {
		t.Fatal(err)
	}
	for _, f := range start.Files {
		if strings.Contains(f.Text, "plain-scale") {
			t.Errorf("%s still has the name of the example", f.Path)
		}
		if strings.HasSuffix(f.Path, ".yaml") {
			if s, problems := sheet.Parse(f.Path, []byte(f.Text), nil); problems.Err() != nil || s.Driver != "drip-scale" {
				t.Errorf("driver %q, %v", s.Driver, problems)
			}
		}
	}
	// In the module of this repository, so that nothing is fetched.
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	build := exec.Command("go", "build", "-o", filepath.Join(dir, "drip-scale", "drip-scale"), filepath.Join(dir, "drip-scale", "main.go"))
	build.Dir = root
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	// Started by hand it says that the hub starts it.
	out, err := exec.Command(filepath.Join(dir, "drip-scale", "drip-scale")).CombinedOutput()
	if err == nil || len(out) == 0 {
		t.Errorf("started by hand it said %q, %v", out, err)
	}
}

// What is there is never overwritten, and then nothing else is written either.
func TestNothingIsOverwritten(t *testing.T) {
	dir := t.TempDir()
	start, err := scaffold.Driver("a", "go")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(dir, "a"), 0o755); err != nil {
		t.Fatal(err)
	}
	mine := filepath.Join(dir, "a", "a.yaml")
	if err := os.WriteFile(mine, []byte("mine"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := start.Write(dir); err == nil || !strings.Contains(err.Error(), "a.yaml: it is there already") {
		t.Errorf("got %v", err)
	}
	if text, _ := os.ReadFile(mine); string(text) != "mine" {
		t.Errorf("it reads %q now", text)
	}
	if _, err := os.Stat(filepath.Join(dir, "a", "main.go")); err == nil {
		t.Error("a part was written")
	}
	for _, name := range []string{"", "My-Meter", "../up", "a b"} {
		if _, err := scaffold.Sheet(name); err == nil {
			t.Errorf("%q was taken for a name", name)
		}
	}
	if _, err := scaffold.Driver("a", "gno"); err == nil || !strings.Contains(err.Error(), `"gno"`) {
		t.Errorf("got %v", err)
	}
}
