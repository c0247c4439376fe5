package command_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"
	"unicode/utf8"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"github.com/evenbench/evenbench/clients/evenctl/internal/command"
	"github.com/evenbench/evenbench/internal/hub"
	"github.com/evenbench/evenbench/internal/lab"
	"github.com/evenbench/evenbench/internal/problem"
	"github.com/evenbench/evenbench/plugins/ascii"
	"github.com/evenbench/evenbench/plugins/sheet"
	"github.com/evenbench/evenbench/plugins/sheets"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// onPan is a scale on TCP that says again and again what lies on it.
type onPan struct {
	address string
	mu      sync.Mutex
	grams   float64
}

func (s *onPan) put(grams float64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.grams = grams
}

func (s *onPan) line() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return fmt.Sprintf("STEADY + %7.2f g\r\n", s.grams)
}

func newScale(t *testing.T) *onPan {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &onPan{address: l.Addr().String()}
	ctx, cancel := context.WithCancel(context.Background())
	var all sync.WaitGroup
	all.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			all.Go(func() {
				defer c.Close()
				for tick := time.NewTicker(50 * time.Millisecond); ; {
					if _, err := io.WriteString(c, s.line()); err != nil {
						return
					}
					select {
					case <-ctx.Done():
						return
					case <-tick.C:
					}
				}
			})
		}
	})
	t.Cleanup(func() {
		cancel()
		l.Close()
		all.Wait()
	})
	return s
}

// startHub starts a hub with a scale, and returns its address.
func startHub(t *testing.T, s *onPan) string {
	t.Helper()
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "lab.yaml")
	text := fmt.Sprintf(`lab: test
data: ./data
listen: {grpc: 127.0.0.1:0, http: 127.0.0.1:0}
stations: [{name: reception, kind: bench}]
instruments:
  - name: reception-scale
    station: reception
    sheet: bench-scale
    link: {tcp: %q}
    channels: {mass: {checks: [{name: weight 200 g, reference: 200, uncertainty: 0.003, limit: 0.1, every: 24h}]}}
`, s.address)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	options := lab.Options{
		Drivers: sheet.Drivers{"ascii": {Sheet: ascii.Check, Link: ascii.CheckLink}}, Sheet: sheets.Find, SheetNames: sheets.Names(),
	}
	h, err := hub.Start(context.Background(), hub.Options{
		Load:   func() (*lab.Lab, problem.List) { return lab.Load(file, options) },
		Driver: func(name string) []string { return []string{program, "driver", name} }, Version: "test", Log: zap.NewNop(),
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		if err := h.Stop(ctx); err != nil {
			t.Errorf("stop: %v", err)
		}
	})
	conn, err := grpc.NewClient(h.GRPC(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	eventually(t, "the scale speaks", func() bool {
		r, err := pb.NewInstrumentServiceClient(conn).ListInstruments(t.Context(), &pb.ListInstrumentsRequest{})
		return err == nil && len(r.GetInstruments()) == 1 && len(r.GetInstruments()[0].GetLatest()) > 0
	})
	return h.GRPC()
}

func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	for end := time.Now().Add(time.Minute); !holds(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("in a minute it has not come about that %s", what)
		}
	}
}

// terminal is a person at a terminal: what is on it, and what they type.
type terminal struct {
	t    *testing.T
	mu   sync.Mutex
	text bytes.Buffer
	seen int // what was answered already
	keys *io.PipeWriter
	code chan int
}

func (m *terminal) Write(b []byte) (int, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.text.Write(b)
}

func (m *terminal) String() string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.text.String()
}

// sit runs evenctl at a terminal.
func sit(t *testing.T, address string, args ...string) *terminal {
	in, keys := io.Pipe()
	m := &terminal{t: t, keys: keys, code: make(chan int, 1)}
	go func() {
		m.code <- command.Run(context.Background(), args, command.Surroundings{
			Out: m, Err: m, In: in, Live: true, Zone: time.UTC,
			Getenv: func(name string) string {
				return map[string]string{"EVENBENCH_HUB": address, "EVENBENCH_PERSON": "ana"}[name]
			},
		})
		in.Close()
	}()
	return m
}

// until waits for something to be shown after what was answered last, wherever its lines
// are broken.
func (m *terminal) until(text string) {
	m.t.Helper()
	wanted := regexp.MustCompile(strings.ReplaceAll(regexp.QuoteMeta(text), " ", `\s+`))
	for end := time.Now().Add(time.Minute); ; time.Sleep(5 * time.Millisecond) {
		all := m.String()
		if at := wanted.FindStringIndex(all[m.seen:]); at != nil {
			m.seen += at[1]
			return
		}
		if time.Now().After(end) {
			m.t.Fatalf("in a minute %q was not shown after\n%s\nbut\n%s", text, all[:m.seen], all[m.seen:])
		}
	}
}

// answer types a line when a question is shown.
func (m *terminal) answer(question, line string) {
	m.t.Helper()
	m.until(question)
	m.until("> ")
	m.enter(line)
}

// enter types a line, which a terminal shows as well.
func (m *terminal) enter(line string) {
	m.t.Helper()
	fmt.Fprintln(m, line)
	if _, err := io.WriteString(m.keys, line+"\n"); err != nil {
		m.t.Fatalf("type %q: %v\n%s", line, err, m)
	}
}

// weigh takes a point of a weight that is on the scale; of the empty pan no class is asked.
func (m *terminal) weigh(s *onPan, nominal, class string, shows float64) {
	m.t.Helper()
	m.answer("What is it measuring?", "") // a check weight
	m.answer("its mass", nominal)
	if nominal != "0" {
		m.answer("its class", class)
	}
	s.put(shows)
	m.until(fmt.Sprintf("\r  %s g   AT REST", strings.TrimRight(strings.TrimRight(fmt.Sprintf("%.2f", shows), "0"), ".")))
	m.enter("")
	m.until("Taken: ")
}

// typed takes a point of a weight whose reading a person types.
func (m *terminal) typed(nominal, class, shows string) {
	m.t.Helper()
	m.answer("What is it measuring?", "")
	m.answer("its mass", nominal)
	m.answer("its class", class)
	m.until("Enter takes the reading")
	m.enter(shows)
}

// end waits for the end.
func (m *terminal) end(code int) {
	m.t.Helper()
	if got := <-m.code; got != code {
		m.t.Errorf("exit %d, want %d:\n%s", got, code, m)
	}
}

// fits looks whether everything fitted a terminal of 80 columns.
func (m *terminal) fits() {
	m.t.Helper()
	for _, line := range strings.FieldsFunc(m.String(), func(r rune) bool { return r == '\n' || r == '\r' }) {
		if n := utf8.RuneCountInString(line); n > 80 {
			m.t.Errorf("%d columns: %s", n, line)
		}
	}
}

// A person calibrates a scale with three weights at a terminal, and readings are made with
// it from then on; what was on the pan before a weight does not count for it, and what no
// point can be is said at once and asked for again.
func TestAScaleIsCalibratedAtATerminal(t *testing.T) {
	s := newScale(t)
	address := startHub(t, s)
	pictures := t.TempDir()
	t.Chdir(pictures) // where they are drawn if nothing else is said
	m := sit(t, address, "calibrate", "reception-scale", "mass")
	m.weigh(s, "0", "", 0)
	m.answer("By itself it shows nothing", "")
	m.weigh(s, "200", "f1", 200.4)
	m.answer("A third would show", "")
	m.typed("500", "", "5000")
	m.until("That cannot be a point: its reading is 5000 g, outside the range of the channel")
	m.typed("0.0005", "F1", "0.5")
	m.until("That cannot be a point: its weight class does not fit")
	m.weigh(s, "500", "", 501)
	m.answer("3 points so far", "r")
	m.until("What is left after the correction")
	m.until("How sure: of 100 readings, 95 are right to within")
	m.answer("y: record it", "y")
	m.answer("valid until", "someday")
	m.answer("valid until", "2027-05-01")
	m.answer("why is it made?", "yearly")
	m.until("Recorded as")
	m.end(0)
	m.fits()
	for _, kind := range []string{"*.svg", "*.png"} {
		if files, _ := filepath.Glob(filepath.Join(pictures, kind)); len(files) != 1 {
			t.Errorf("pictures %s: %v", kind, files)
		}
	}

	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	list, err := pb.NewCalibrationServiceClient(conn).ListCalibrations(t.Context(), &pb.ListCalibrationsRequest{})
	if err != nil || len(list.GetCalibrations()) != 1 {
		t.Fatalf("%v, %v", list, err)
	}
	points := list.GetCalibrations()[0].GetCalibration().GetPoints()
	for i, want := range []struct{ read, reference float64 }{{0, 0}, {200.4, 200}, {501, 500}} {
		if p := points[i]; p.GetRead() != want.read || p.GetReference() != want.reference || p.GetReadings() == 0 || p.GetRun() == "" {
			t.Errorf("point %d: %v, want %v", i+1, p, want)
		}
	}
	eventually(t, "readings are corrected", func() bool {
		r, err := pb.NewInstrumentServiceClient(conn).ListInstruments(t.Context(), &pb.ListInstrumentsRequest{})
		return err == nil && r.GetInstruments()[0].GetLatest()[0].GetValue() < 500.001
	})

	s.put(200.4)
	m = sit(t, address, "check")
	m.until("CHECK 1 of 1")
	m.until("\r  200.4 g   AT REST")
	m.enter("")
	m.until("GOOD. Go on.")
	m.end(0)
	m.fits()
	for _, args := range [][]string{{"calibrations"}, {"check", "--list"}} {
		m := sit(t, address, args...)
		m.until("reception-scale")
		m.end(0)
		m.fits()
	}
}

// What cannot be a calibration is said and can be mended; what is unusual is recorded only
// by who says that they know.
func TestABadCalibrationIsExplainedAtATerminal(t *testing.T) {
	s := newScale(t)
	address := startHub(t, s)
	m := sit(t, address, "calibrate", "reception-scale", "mass", "--pictures", "")
	m.typed("200", "F1", "500") // exchanged
	m.answer("By itself it shows nothing", "")
	m.typed("500", "F1", "200")
	m.answer("2 points so far", "r")
	m.until("That cannot be: the points make a curve that falls")
	m.answer("p: another point", "o")
	m.answer("which point?", "2")
	m.answer("why?", "exchanged")
	m.until("That cannot be: the points are 1 that count")
	m.answer("p: another point", "f")
	m.answer("Which form?", "1") // of one point, an offset is the first
	m.until("LOOK AGAIN")
	m.answer("y: record it", "y")
	m.until("it rests on one point")
	m.answer("I know", "no")
	m.until("Not recorded.")
	m.answer("y: record it", "q")
	m.until("nothing was recorded")
	m.end(1)
	m.fits()

	file := filepath.Join(t.TempDir(), "mass.yaml")
	text := `instrument: reception-scale
channel: mass
form: line
residual_limit: 0.1
points:
  - {means: weight, class: F1, reference: 100, read: 100}
  - {means: weight, class: F1, reference: 200, read: 200.5}
  - {means: weight, class: F1, reference: 500, read: 500}
`
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	m = sit(t, address, "calibrate", "--file", file, "--pictures", "")
	m.until("the curve misses point")
	m.until("--confirm residual,scatter")
	m.end(4)
	m = sit(t, address, "calibrate", "--file", file, "--pictures", "", "--confirm", "residual,scatter")
	m.until("Recorded as")
	m.end(0)
}
