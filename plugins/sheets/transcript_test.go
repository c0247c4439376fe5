package sheets_test

import (
	"context"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/clock"
	"github.com/evenbench/evenbench/internal/replay"
	"github.com/evenbench/evenbench/internal/transcript"
	"github.com/evenbench/evenbench/plugins/ascii"
	"github.com/evenbench/evenbench/plugins/modbus"
	"github.com/evenbench/evenbench/plugins/scpi"
	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sheet"
	"github.com/evenbench/evenbench/plugins/sheets"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

var update = flag.Bool("update", false, "write what is seen as what is expected")

// out writes down what a driver says, and knows when the device has gone.
type out struct {
	mu   sync.Mutex
	text strings.Builder
	gone context.CancelFunc
	met  bool
	// identified is told of every identity.
	identified chan struct{}
}

func (o *out) write(format string, args ...any) {
	o.mu.Lock()
	defer o.mu.Unlock()
	fmt.Fprintf(&o.text, format, args...)
}

func (o *out) Readings(_ time.Time, readings ...sdk.Reading) {
	for _, r := range readings {
		o.write("%s\n", strings.Join(strings.Fields(fmt.Sprintf("%s = %.10g %s %s %s (%q)", r.Channel, r.Value, r.Unit, r.Status, r.DeviceTime, r.Text)), " "))
	}
}

func (o *out) State(s pb.DeviceState, _ string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.met = o.met || s == pb.DeviceState_DEVICE_STATE_CONNECTED
	if o.met && s == pb.DeviceState_DEVICE_STATE_LOST {
		o.gone()
	}
}

func (o *out) Identity(id string) {
	if id == "" {
		return // a connection, and a device that does not say what it is
	}
	o.write("identity %s\n", id)
	o.identified <- struct{}{}
}
func (o *out) Unreadable(input []byte) { o.write("unreadable %q\n", input) }
func (o *out) Log(string, string)      {}

func device(t *testing.T, s sdk.Settings, driver string) sdk.Device {
	t.Helper()
	var d sdk.Device
	var err error
	switch driver {
	case "ascii":
		d, err = ascii.Open(s, nil)
	case "modbus":
		d, err = modbus.Open(s, nil)
	case "scpi":
		d, err = scpi.Open(s)
	default:
		t.Fatalf("no transcript can be played to driver %s", driver)
	}
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// The driver of every sheet, connected to the instrument of its transcript, reads
// what stands in the file beside it.
func TestEverySheetReadsItsTranscript(t *testing.T) {
	for _, name := range sheets.Names() {
		t.Run(name, func(t *testing.T) {
			data, _ := sheets.Find(name)
			s, _ := sheet.Parse(name, data, nil)
			switch s.Driver {
			case "keyed", "iio", "mqtt", "opcua":
				t.Skipf("what driver %s reads is not a line of bytes: there is nothing to play", s.Driver)
			}
			file := filepath.Join("testdata", name+".transcript")
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			read, problems := transcript.Parse(file, text)
			if err := problems.Err(); err != nil {
				t.Fatal(err)
			}
			got := played(t, s, read)
			golden := filepath.Join("testdata", name+".readings")
			if *update {
				if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("got:\n%s\nwant:\n%s", got, want)
			}
		})
	}
}

// played returns what a driver reads from a transcript.
func played(t *testing.T, s *sheet.Sheet, read *transcript.Transcript) string {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	p := replay.New(read, func(text string) { t.Log(text) })
	p.Speed = replay.Fastest
	address, served := make(chan string, 1), make(chan error, 1)
	go func() { served <- p.Serve(ctx, "127.0.0.1:0", true, func(a string) { address <- a }) }()

	// A minute of the lab in a real second.
	stamp := timestamppb.Now()
	settings := sdk.Settings{
		Instrument: "test", Sheet: s.Raw, Link: map[string]any{"tcp": <-address},
		Clock: clock.FromProto(&pb.LabClock{Real: stamp, Lab: stamp, Rate: 60}),
	}
	d := device(t, settings, s.Driver)
	running, gone := context.WithCancel(ctx)
	o := &out{gone: gone, identified: make(chan struct{}, 16)}
	var acts sync.WaitGroup
	acts.Go(func() { measure(running, t, d, o, read) })
	if err := d.Run(running, o); err != nil {
		t.Error(err)
	}
	acts.Wait()
	if err := <-served; err != nil {
		t.Error(err)
	}
	if ctx.Err() != nil {
		t.Error("the transcript did not come to its end")
	}
	if p.Differences > 0 {
		t.Errorf("the driver differs from the transcript %d times", p.Differences)
	}
	return o.text.String()
}

// measure does what the hub did when the transcript was taken: it asked for a
// measurement wherever the colour meter's M stands.
func measure(ctx context.Context, t *testing.T, d sdk.Device, o *out, read *transcript.Transcript) {
	asked := 0
	for _, e := range read.Events {
		if e.Kind == transcript.Host && string(e.Bytes) == "M\r\n" {
			asked++
		}
	}
	if asked == 0 {
		return
	}
	select {
	case <-o.identified:
	case <-ctx.Done():
	}
	for range asked {
		if _, err := d.Act(ctx, sdk.Act{Action: pb.Action_ACTION_MEASURE}); err != nil && ctx.Err() == nil {
			t.Error(err)
		}
	}
}
