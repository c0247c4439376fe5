package try

import (
	"fmt"
	"time"

	"github.com/evenbench/evenbench/plugins/sdk"
)

// requests writes down what is asked of a Modbus device.
type requests struct{ *paper }

// Polled implements modbus.Watch.
func (q requests) Polled(at time.Time, request string, readings []sdk.Reading, err error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	text := fmt.Sprint(err)
	for _, r := range readings {
		text += " " + r.Text
	}
	repeated := q.shown[request] == text
	q.shown[request] = text
	switch {
	case err != nil && !repeated:
		q.line(at, "asked     %s", request)
		q.under("NOT READ  %v", err)
	case err == nil && !repeated:
		q.line(at, "asked     %s", request)
		q.values(readings)
	default:
		for _, r := range readings {
			q.count.readings[r.Channel]++
		}
	}
	if err != nil {
		q.one(&q.count.failed)
	} else {
		q.one(&q.count.read)
	}
}
