package main_test

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// part is a piece of a page that is to be done: a file to be written, or a command.
type part struct{ file, text string }

var named = regexp.MustCompile("`([a-z-]+\\.yaml)`")

// parts returns what a section of the README says to do, in order: its commands, and
// the files whose names stand before them.
func parts(t *testing.T, title string) []part {
	t.Helper()
	page, err := os.ReadFile("../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, section, ok := strings.Cut(string(page), "\n### "+title+"\n")
	if !ok {
		t.Fatalf("the README has no section %q", title)
	}
	section, _, _ = strings.Cut(section, "\n### ")
	var out []part
	var block *part
	file := ""
	for line := range strings.Lines(section) {
		command, indented := strings.CutPrefix(line, "    ")
		switch {
		case strings.HasPrefix(line, "```") && block == nil:
			block = &part{file: file}
		case strings.HasPrefix(line, "```"):
			if !strings.HasPrefix(block.text, " ") { // a whole file, not a part of one
				out = append(out, *block)
			}
			block = nil
		case block != nil:
			block.text += line
		case indented:
			command, _, _ = strings.Cut(command, "  #")
			out = append(out, part{text: strings.TrimSpace(command)})
		default:
			for _, m := range named.FindAllStringSubmatch(line, -1) {
				file = m[1]
			}
		}
	}
	return out
}

// reader does what the README says, in a folder of its own.
type reader struct {
	t    *testing.T
	dir  string
	path []string
}

func (r *reader) command(text string) *exec.Cmd {
	// Another test may have a /tmp/meter and a hub as well.
	text = strings.ReplaceAll(text, "/tmp/meter", filepath.Join(r.dir, "meter"))
	c := exec.Command("sh", "-c", "exec "+text)
	c.Dir = r.dir
	c.Env = append(os.Environ(), "PATH="+filepath.Dir(evenbench)+":"+os.Getenv("PATH"))
	c.Env = append(c.Env, r.path...)
	return c
}

// start runs a command until the test ends.
func (r *reader) start(text string) *log {
	r.t.Helper()
	c := r.command(text)
	out, err := c.StderrPipe()
	if err != nil {
		r.t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		r.t.Fatal(err)
	}
	l := &log{}
	l.read(out)
	r.t.Cleanup(func() {
		_ = c.Process.Signal(syscall.SIGTERM)
		<-l.ended
		_ = c.Wait()
		if r.t.Failed() {
			r.t.Logf("%s:\n%s", text, l)
		}
	})
	return l
}

// The README's way from a meter that nobody has written a sheet for to its readings in
// the record, without code: every command and file in it, as they stand there.
func TestReadmeNewMeter(t *testing.T) {
	r := &reader{t: t, dir: t.TempDir()}
	repository, err := filepath.Abs("..")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(filepath.Join(repository, "testdata"), filepath.Join(r.dir, "testdata")); err != nil {
		t.Fatal(err)
	}
	for _, p := range parts(t, "You wire a meter") {
		t.Logf("%s%s", p.file, p.text)
		switch {
		case p.file != "":
			text := strings.ReplaceAll(p.text, "/tmp/meter", filepath.Join(r.dir, "meter"))
			text += "listen: {grpc: \"127.0.0.1:0\", http: \"127.0.0.1:0\"}\n"
			if err := os.WriteFile(filepath.Join(r.dir, p.file), []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
		case strings.HasPrefix(p.text, "evenbench replay"):
			r.start(p.text)
			r.await("the meter", func() bool { _, err := os.Lstat(filepath.Join(r.dir, "meter")); return err == nil })
		case strings.HasPrefix(p.text, "evenbench serve"):
			at := r.start(p.text).await(t, "serving")
			r.path = append(r.path, fmt.Sprintf("EVENBENCH_HUB=%v", at["grpc"]))
		case strings.HasPrefix(p.text, "evenbench conform "):
			// Python's gRPC may be missing here; TestNewDriverKeepsTheContract runs this.
			for _, word := range strings.Fields(p.text) {
				if strings.Contains(word, "/") {
					if _, err := os.Stat(filepath.Join(r.dir, word)); err != nil {
						t.Errorf("%s: %v", p.text, err)
					}
				}
			}
		case strings.HasPrefix(p.text, "evenctl sample "):
			r.await("the measurement", func() bool {
				out, err := r.command(p.text).CombinedOutput()
				return err == nil && regexp.MustCompile(`moisture +11\.[345] `).Match(out)
			})
		default:
			out, err := r.command(p.text).CombinedOutput()
			if err != nil {
				t.Fatalf("%s: %v\n%s", p.text, err, out)
			}
			t.Logf("%s", out)
		}
	}
	for _, made := range []string{"my-meter.yaml", "my-meter.transcript", "lab.yaml"} {
		if _, err := os.Stat(filepath.Join(r.dir, made)); err != nil {
			t.Errorf("the README does not lead to %s: %v", made, err)
		}
	}
}

// The README's stand-in for a scale says what the sheet that ships reads.
func TestReadmeScale(t *testing.T) {
	page, err := os.ReadFile("../README.md")
	if err != nil {
		t.Fatal(err)
	}
	r := &reader{t: t, dir: t.TempDir()}
	line := filepath.Join(r.dir, "scale")
	command := func(begin string) string {
		_, rest, ok := strings.Cut(string(page), "\n    "+begin)
		if !ok {
			t.Fatalf("the README does not say: %s…", begin)
		}
		rest, _, _ = strings.Cut(rest, "\n")
		text := strings.ReplaceAll(begin+rest, "/tmp/scale", line)
		return strings.ReplaceAll(text, "testdata/", absolute(t, "../testdata")+"/")
	}
	r.start(command("evenbench replay testdata/transcripts/scale.transcript "))
	r.await("the scale", func() bool { _, err := os.Lstat(line); return err == nil })
	said, err := r.command(command("evenbench try bench-scale ")).CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, said)
	}
	wants(t, string(said), "mass = 352.41 g", "The sheet fits")
}

// await asks again and again until something is so.
func (r *reader) await(what string, is func() bool) {
	r.t.Helper()
	ctx, cancel := context.WithTimeout(r.t.Context(), patience)
	defer cancel()
	for !is() {
		select {
		case <-ctx.Done():
			r.t.Fatalf("waited in vain for %s", what)
		case <-time.After(100 * time.Millisecond):
		}
	}
}

// From an instrument that nobody knows to its readings in the record, and back: what
// it says is listened to, drafted, completed, checked, tried and saved; the saved
// transcript is the instrument of a hub.
func TestFromTranscriptToRecord(t *testing.T) {
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	source := &reader{t: t, dir: dir}
	source.start("evenbench replay " + absolute(t, "../testdata/transcripts/meter.transcript") + " --at serial:" + in("line") + " --speed 10 --loop")
	source.await("the line", func() bool { _, err := os.Lstat(in("line")); return err == nil })

	said := run(t, evenbench, "try", "--link", "serial:"+in("line")+",baud=9600", "--for", "3s", "--draft", in("meter.yaml")).want(t, 0)
	wants(t, said.out, "MOIST 11.4 % TEMP 22.1 C", `lines, each ended by "\r\n"`, "FILL IN", in("meter.yaml")+":", "write basis: wet or dry")
	// The check says what the draft said, and accepts the sheet when it is filled in.
	wants(t, run(t, evenbench, "check", in("meter.yaml")).want(t, 3).out, "write basis: wet or dry")
	text, err := os.ReadFile(in("meter.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	filled := strings.Replace(string(text), "# basis: FILL IN wet or dry", "basis: wet", 1)
	if err := os.WriteFile(in("meter.yaml"), []byte(filled), 0o600); err != nil {
		t.Fatal(err)
	}
	run(t, evenbench, "check", in("meter.yaml")).want(t, 0)
	wants(t, run(t, evenbench, "try", in("meter.yaml"), "--link", "serial:"+in("line")+",baud=9600", "--limit", "4", "--for", "1m", "--save", in("saved.transcript")).want(t, 0).out,
		"READ      moist = 11.", "READ      temp  = 22.", "The sheet fits")
	// Nothing is overwritten.
	run(t, evenbench, "try", in("meter.yaml"), "--link", "serial:"+in("line"), "--save", in("saved.transcript")).want(t, 2)
	run(t, evenbench, "try", "--link", "serial:"+in("line"), "--draft", in("meter.yaml")).want(t, 2)

	source.start("evenbench replay " + in("saved.transcript") + " --at serial:" + in("again") + " --loop")
	source.await("the line", func() bool { _, err := os.Lstat(in("again")); return err == nil })
	b := serve(t, fmt.Sprintf("  - {name: meter, station: reception, sheet: %s, link: {serial: %s, baud: 9600}}\n", in("meter.yaml"), in("again")))
	e := b.await("a moisture", func(e *pb.Entry) bool {
		for _, s := range e.GetReadings().GetSeries() {
			if e.GetReadings().GetInstrument() == "meter" && s.GetChannel() == "moist" && s.GetUnit() == "%" {
				return true
			}
		}
		return false
	})
	for row := range e.GetReadings().Rows() {
		if v := row.Value; row.Series.GetChannel() == "moist" && (v < 11.3 || v > 11.5) {
			t.Errorf("moisture %v is in the record", v)
		}
	}
}
