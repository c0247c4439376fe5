package sdk_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// TestP8_ReadingsKeepTheirDevice: a device that is exchanged while no hub is there has
// its readings sent under its own identity, and so has the one that came after it,
// from wherever the session is resumed.
func TestP8_ReadingsKeepTheirDevice(t *testing.T) {
	all := make(chan struct{})
	dev := device{run: func(ctx context.Context, out sdk.Out) error {
		take := func(n int) {
			for range n {
				out.Readings(time.Time{}, sdk.Reading{Channel: "bean", Value: 1})
			}
		}
		out.Identity("A")
		take(2)
		out.Identity("B")
		out.Identity("C") // B took nothing
		take(3)
		out.Identity("")
		take(1)
		out.Identity("A")
		close(all)
		<-ctx.Done()
		return nil
	}}
	d := inProcess(t, sdk.Hold{}, dev)
	opened, err := d.Open(t.Context(), &pb.OpenRequest{})
	if err != nil {
		t.Fatal(err)
	}
	<-all
	of := []string{"A", "A", "C", "C", "C", ""}
	for after := range of {
		s := resume(t, d, opened.Run, uint64(after))
		var got []string
		who := ""
		for len(got) < len(of)-after || who != "A" {
			m, err := s.Recv()
			if err != nil {
				t.Fatal(err)
			}
			if st := m.GetStatus(); st != nil {
				who = st.GetDeviceIdentity()
			}
			for range m.GetReadings().GetCount() {
				got = append(got, who)
			}
		}
		if !slices.Equal(got, of[after:]) {
			t.Errorf("resumed after %d, the readings are of %s, want %s", after, fmt.Sprintf("%q", got), fmt.Sprintf("%q", of[after:]))
		}
	}
}
