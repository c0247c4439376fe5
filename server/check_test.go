package main_test

import (
	"os"
	"path/filepath"
	"testing"
)

// golden returns what a command is to print.
func golden(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func TestCheck(t *testing.T) {
	for _, c := range []struct {
		name   string
		files  []string
		golden string
		code   int
		sum    string
	}{
		{"a lab file and a sheet", []string{"lab.yaml", "meter.yaml"}, "lab.golden", 0, ""},
		{"mistakes", []string{"mistakes.yaml"}, "mistakes.golden", 3, "evenbench: 10 mistakes in mistakes.yaml\n"},
		{"sheets of other drivers", []string{"node.yaml", "server.yaml"}, "drivers.golden", 3, "evenbench: 9 mistakes in 2 files\n"},
	} {
		t.Run(c.name, func(t *testing.T) {
			said := runIn(t.Context(), t, "testdata", evenbench, append([]string{"check"}, c.files...)...).want(t, c.code)
			if want := golden(t, c.golden); said.out != want {
				t.Errorf("printed:\n%s\nwant:\n%s", said.out, want)
			}
			if said.err != c.sum {
				t.Errorf("summed up %q, want %q", said.err, c.sum)
			}
		})
	}
}

// The command line says what it cannot do, with the exit codes of the README.
func TestExitCodes(t *testing.T) {
	for _, c := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{"check", "testdata/nowhere.yaml"}, 3, "testdata/nowhere.yaml: read file"},
		{[]string{"check"}, 2, "check"},
		{[]string{"serve"}, 2, "serve takes one lab file"},
		{[]string{"serve", "testdata/lab.yaml", "--log", "loud"}, 2, `"loud"`},
		{[]string{"demo", "--data", "testdata"}, 2, "is not empty"},
		{[]string{"demo", "--sped", "2"}, 2, "--sped"},
		{[]string{"roast"}, 2, `"roast"`},
		{[]string{"driver", "telepathy"}, 2, "ascii, iio, keyed, modbus, mqtt, opcua, scpi"},
		{[]string{"try", "bench-scael"}, 2, "bench-scale"},
		{[]string{"try", "bench-scale", "--link", "pigeon:1"}, 2, "pigeon"},
		{[]string{"try", "testdata/mistakes.yaml"}, 3, "testdata/mistakes.yaml:"},
	} {
		said := run(t, evenbench, c.args...)
		if said.code != c.code {
			t.Errorf("evenbench %q ended with %d, want %d: %s%s", c.args, said.code, c.code, said.out, said.err)
		}
		wants(t, said.out+said.err, c.says)
	}
}
