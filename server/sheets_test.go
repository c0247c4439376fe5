package main

import (
	"bytes"
	"flag"
	"os"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/evenbench/evenbench/internal/catalogue"
	"github.com/evenbench/evenbench/plugins/sheets"
)

var update = flag.Bool("update", false, "write what is seen as what is expected")

// The catalogue is what the sheets say: go test ./server -run Catalogue -update writes
// it anew.
func TestCatalogueIsCurrent(t *testing.T) {
	const file = "../plugins/sheets/CATALOGUE.md"
	all, err := shipped()
	if err != nil {
		t.Fatal(err)
	}
	var page bytes.Buffer
	if err := catalogue.Markdown(&page, all); err != nil {
		t.Fatal(err)
	}
	if *update {
		if err := os.WriteFile(file, page.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(page.Bytes(), want) {
		t.Errorf("%s is not what the sheets say: run this test with -update", file)
	}
	for _, e := range all {
		for _, c := range e.Channels {
			if !strings.Contains(page.String(), "| `"+c.Name+"` |") {
				t.Errorf("the catalogue lacks channel %s of %s", c.Name, e.Name)
			}
		}
	}
}

// Every sheet is listed with its channels, on a screen of 80 columns, and one is
// printed as its file reads.
func TestSheetsAreListed(t *testing.T) {
	var out bytes.Buffer
	list := sheetsCommand()
	list.SetOut(&out)
	list.SetArgs([]string{})
	if err := list.Execute(); err != nil {
		t.Fatal(err)
	}
	for _, name := range sheets.Names() {
		if !strings.Contains(out.String(), name+": ") {
			t.Errorf("%s is not listed", name)
		}
	}
	for _, want := range []string{"moisture (wet) in %", "driver modbus; it is asked every 10s", "over a serial line (RTU) or TCP", "driver keyed; a person types its values"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("nothing says %q", want)
		}
	}
	for line := range strings.Lines(out.String()) {
		if utf8.RuneCountInString(line) > 81 {
			t.Errorf("wider than 80: %s", line)
		}
	}
	out.Reset()
	one := sheetsCommand()
	one.SetOut(&out)
	one.SetArgs([]string{"bench-scale"})
	if err := one.Execute(); err != nil {
		t.Fatal(err)
	}
	if text, _ := sheets.Find("bench-scale"); out.String() != string(text) {
		t.Errorf("printed:\n%s", &out)
	}
}
