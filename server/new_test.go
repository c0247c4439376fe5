package main_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A driver that was just begun in another language keeps the contract before anything
// in it is changed, in a folder of its own, away from this repository.
func TestNewDriverKeepsTheContract(t *testing.T) {
	for _, l := range foreign {
		t.Run(l.name, func(t *testing.T) {
			l.need(t)
			dir := t.TempDir()
			said := runIn(t.Context(), t, dir, evenbench, "new", "driver", "drip-scale", "--lang", strings.ToLower(l.name)).want(t, 0).out
			begun := filepath.Join(dir, "drip-scale")
			program := "./" + filepath.Base(l.path)
			conform := "evenbench conform " + program + ` --sheet drip-scale.yaml --say '150.02\n'`
			wants(t, said, "wrote drip-scale/"+filepath.Base(l.path), "cd drip-scale", conform)
			if l.modules != "" {
				// What npm install would bring.
				if err := os.Symlink(absolute(t, l.modules), filepath.Join(begun, "node_modules")); err != nil {
					t.Fatal(err)
				}
			}
			lab := fmt.Sprintf("lab: Drips\nstations:\n  - {name: reception, kind: bench}\ninstruments:\n"+
				"  - {name: drip, station: reception, sheet: ./drip-scale.yaml, executable: %s, link: {tcp: %q}}\n", program, "127.0.0.1:4001")
			if err := os.WriteFile(filepath.Join(begun, "lab.yaml"), []byte(lab), 0o644); err != nil {
				t.Fatal(err)
			}
			runIn(t.Context(), t, begun, evenbench, "check", "lab.yaml").want(t, 0)
			said = runIn(t.Context(), t, begun, evenbench, "conform", "--sheet", "drip-scale.yaml", "--say", `150.02\n`,
				"--slack", "5", "--wait", "20s", "--fill", "80000", "--", program, "--hold", "15").want(t, 0).out
			wants(t, said, "drip-scale", "EB-D-03  holds", "EB-D-23  holds", "EB-D-30  holds", "EB-D-32  holds", ", 0 do not")
			for _, line := range strings.Split(said, "\n") {
				if strings.Contains(line, "not tried") && strings.HasPrefix(line, "EB-D-") {
					t.Error(line)
				}
			}
		})
	}
}
