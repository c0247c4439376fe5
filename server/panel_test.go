package main_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"unicode/utf8"

	"github.com/evenbench/evenbench/internal/panel"
)

// A cupping led from the command line on a hub that is killed after each step: what was
// answered is there with the next hub, what the codes stand for too, and the results fit
// into 80 columns.
func TestP2ACuppingOutlastsKills(t *testing.T) {
	b := serve(t, "  []\n")
	ctl := func(args ...string) ended {
		t.Helper()
		said := run(t, evenctl, append([]string{"--hub", b.grpc, "--person", "Ilka"}, args...)...).want(t, 0)
		b.signal(syscall.SIGKILL)
		<-b.log.ended
		_ = b.process.Wait()
		b.launch()
		return said
	}
	for _, code := range []string{"K-001", "K-002", "K-003"} {
		run(t, evenctl, "--hub", b.grpc, "--person", "Ilka", "register", code, "--kind", "offer", "--lot", "26-0"+code[4:]).want(t, 0)
	}
	planned := ctl("panel", "plan", "K-001", "K-002", "K-003", "--assessor", "Ilka", "--assessor", "Oren", "--assessor", "Tamsin", "--doubles", "1", "--title", "arrivals")
	wants(t, planned.out, "P-0001 is planned, with 4 cups", filepath.Join("panel", "P-0001.key"), "for no assessor")
	text, err := os.ReadFile(filepath.Join(b.dir, "data", "panel", "P-0001.key"))
	if err != nil {
		t.Fatal(err)
	}
	key, err := panel.ParseKey(text)
	if err != nil {
		t.Fatal(err)
	}
	wants(t, ctl("panel", "open", "P-0001", "--board", "https://bench.lan:7414").out, "https://bench.lan:7414/board/cup/in?token=evenbench-", "Tamsin")
	good := map[string]float64{"K-001": 82, "K-002": 86.5, "K-003": 82.5}
	cast := func(cup panel.Cup, assessor string, more int) {
		t.Helper()
		args := []string{"--hub", b.grpc, "--person", "Ilka", "panel", "ballot", "P-0001", assessor, fmt.Sprint(cup.Code), "--word", "citrus"}
		// 0.65625 points a mark over 52.75.
		marks := int((good[cup.Lot]-52.75)/0.65625) + more
		for i, name := range []string{"fragrance", "aroma", "flavour", "aftertaste", "acidity", "sweetness", "mouthfeel", "overall"} {
			m := marks / 8
			if i < marks%8 {
				m++
			}
			args = append(args, fmt.Sprintf("%s=%d", name, m))
		}
		wants(t, run(t, evenctl, args...).want(t, 0).out, fmt.Sprintf("Cup %d has ", cup.Code))
	}
	for i, cup := range key.Cups {
		for k, a := range []string{"Ilka", "Oren", "Tamsin"} {
			if i < len(key.Cups)-1 || k < 2 {
				cast(cup, a, k+(i+k)%2)
			}
		}
	}
	early := run(t, evenctl, "--hub", b.grpc, "--person", "Ilka", "panel", "close", "P-0001")
	if early.code == 0 || !strings.Contains(early.err, fmt.Sprintf("1 of 4 ballots of Tamsin (%d)", key.Cups[3].Code)) {
		t.Errorf("closed too early: %d, %s", early.code, early.err)
	}
	wants(t, ctl("panel", "show", "P-0001").out, "Tamsin", fmt.Sprint(key.Cups[3].Code))
	cast(key.Cups[3], "Tamsin", 2)
	wants(t, ctl("panel", "close", "P-0001").out, "evenctl panel results P-0001")
	results := ctl("panel", "results", "P-0001").out
	wants(t, results, "K-002", "BETWEEN", "Kendall's W", "no roast", "Tamsin")
	t.Log("\n" + results)
	wants(t, ctl("panel", "assessors").out, "affective", "Oren")
	wants(t, ctl("panel", "list").out, "P-0001", "closed", "arrivals")
	for line := range strings.Lines(results) {
		if n := utf8.RuneCountInString(strings.TrimRight(line, "\n")); n > 80 {
			t.Errorf("a line of %d columns: %s", n, line)
		}
	}
	if code := b.end(); code != 0 {
		t.Errorf("the hub ended with %d", code)
	}
	wants(t, b.audit().want(t, 0).out, "complete and unbroken")
}
