package main

import (
	"context"
	"fmt"
	"strconv"
	"time"

	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// servePulse serves a driver whose device is a clock: three channels, read at one
// moment, at a rate. It is built with the SDK as any driver.
func servePulse() {
	sdk.Serve(sdk.Driver{
		Name: "pulse", Version: "1",
		Hold: sdk.Hold{Readings: 50_000_000, Bytes: 4 << 30, Time: time.Minute},
		Open: func(_ context.Context, s sdk.Settings) (sdk.Device, error) {
			rate, _ := s.Link["rate"].(float64)
			total, _ := s.Link["total"].(float64)
			if rate < 0 || rate == 0 && total == 0 {
				return nil, fmt.Errorf("link: rate %v, total %v: one must be above 0", s.Link["rate"], s.Link["total"])
			}
			return &pulse{rate: rate, total: int(total)}, nil
		},
	})
}

type pulse struct {
	rate  float64 // readings a second; 0: as fast as it goes
	total int     // readings; 0: without end
}

var pulseChannels = [...]string{"bean", "drum_air", "inlet_air"}

func (p *pulse) Channels() []*pb.Channel {
	var list []*pb.Channel
	for _, name := range pulseChannels {
		list = append(list, &pb.Channel{Name: name})
	}
	return list
}

func (p *pulse) Run(ctx context.Context, out sdk.Out) error {
	out.State(pb.DeviceState_DEVICE_STATE_CONNECTED, "beating")
	texts := make([]string, 2000)
	for i := range texts {
		texts[i] = strconv.FormatFloat(100+float64(i)/10, 'f', 1, 64)
	}
	sent, begin := 0, time.Now()
	var scan [len(pulseChannels)]sdk.Reading
	for p.total == 0 || sent < p.total {
		due := sent + 300
		if p.rate > 0 {
			due = int(time.Since(begin).Seconds() * p.rate)
		}
		for ; sent+len(scan) <= due && (p.total == 0 || sent < p.total); sent += len(scan) {
			for i, name := range pulseChannels {
				text := (sent + 7*i) % len(texts)
				scan[i] = sdk.Reading{Channel: name, Value: 100 + float64(text)/10, Text: texts[text]}
			}
			out.Readings(time.Time{}, scan[:]...)
		}
		if p.rate > 0 {
			time.Sleep(time.Millisecond)
		}
		if ctx.Err() != nil {
			return nil
		}
	}
	<-ctx.Done()
	return nil
}

func (p *pulse) Act(context.Context, sdk.Act) (string, error) { return "", sdk.ErrUnsupported }
