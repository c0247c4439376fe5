package scaffold_test

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
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

// A new driver in another language has everything beside it that it needs, under its new
// name, and its program can be run. That it keeps the contract is tried in server.
func TestNewDriverIsComplete(t *testing.T) {
	for language, want := range map[string][]string{
		"go":     {"main.go", "drip-scale.yaml"},
		"python": {"driver.py", "drip-scale.yaml", "contract.py", "proto/evenbench/v1/record.proto", "proto/evenbench/v1/cupping.proto", "proto/evenbench/v1/driver.proto", "proto/evenbench/v1/hub.proto"},
		"node":   {"driver.js", "drip-scale.yaml", "package.json", "proto/evenbench/v1/record.proto", "proto/evenbench/v1/cupping.proto", "proto/evenbench/v1/driver.proto"},
	} {
		start, err := scaffold.Driver("drip-scale", language)
		dir := t.TempDir()
		if err := errors.Join(err, start.Write(dir)); err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, f := range start.Files {
			path, err := filepath.Rel("drip-scale", f.Path)
			info, statErr := os.Stat(filepath.Join(dir, f.Path))
			if err := errors.Join(err, statErr); err != nil {
				t.Fatal(err)
			}
			got = append(got, path)
			program := strings.HasPrefix(path, "driver.")
			if runs := info.Mode()&0o100 != 0; runs != program || info.Size() == 0 {
				t.Errorf("%s: %s has %d bytes and mode %v", language, path, info.Size(), info.Mode())
			}
			if strings.Contains(f.Text, "plain-scale") {
				t.Errorf("%s: %s still has the name of the example", language, path)
			}
			if program && !strings.Contains(start.Files[1].Text, "executable: ./"+path+"\n") {
				t.Errorf("%s: the sheet does not name %s:\n%s", language, path, start.Files[1].Text)
			}
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s: wrote %q, want %q", language, got, want)
		}
	}
	if got := scaffold.Languages(); !slices.Equal(got, []string{"go", "python", "node"}) {
		t.Errorf("the languages are %q", got)
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
