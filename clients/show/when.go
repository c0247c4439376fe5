package show

import (
	"fmt"
	"math"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"
)

func (s Style) zone() *time.Location {
	if s.Zone == nil {
		return time.Local
	}
	return s.Zone
}

// Clock shows the time of day: 09:14:03. Empty if t is absent.
func (s Style) Clock(t *timestamppb.Timestamp) string {
	if t == nil {
		return ""
	}
	return t.AsTime().In(s.zone()).Format(time.TimeOnly)
}

// Stamp shows date and time of day: 2026-11-25 09:14:03.
func (s Style) Stamp(t *timestamppb.Timestamp) string {
	if t == nil {
		return ""
	}
	return t.AsTime().In(s.zone()).Format(time.DateTime)
}

// toTheMinute shows date and time of day without seconds.
func (s Style) toTheMinute(t *timestamppb.Timestamp) string {
	return strings.TrimSuffix(s.Stamp(t), s.Stamp(t)[max(0, len(s.Stamp(t))-len(":05")):])
}

// since shows the time of day of t, with the date only where it is another day than
// that of a reference.
func (s Style) since(reference, t *timestamppb.Timestamp) string {
	full := s.Stamp(t)
	if date := len(time.DateOnly); reference != nil && t != nil && strings.HasPrefix(full, s.Stamp(reference)[:date]) {
		return full[date+1:]
	}
	return full
}

// Day shows the date with its weekday, and how its times relate to UTC.
func (s Style) Day(t *timestamppb.Timestamp) string {
	return t.AsTime().In(s.zone()).Format("Monday 2 January 2006, times in UTC-07:00")
}

// Elapsed shows seconds of roast time as minutes and seconds: 9:47.
func Elapsed(seconds float64) string {
	if math.IsNaN(seconds) || math.IsInf(seconds, 0) {
		return ""
	}
	sign := ""
	if seconds < 0 {
		sign, seconds = "-", -seconds
	}
	whole := int64(math.Round(seconds))
	return fmt.Sprintf("%s%d:%02d", sign, whole/60, whole%60)
}

// Age shows how long ago something was, as roughly as a person would say it.
func Age(d time.Duration) string {
	switch {
	case d < 0:
		return "0 s"
	case d < 10*time.Second:
		return fmt.Sprintf("%.1f s", d.Seconds())
	case d < 2*time.Minute:
		return fmt.Sprintf("%d s", int(d.Seconds()))
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h", int(d.Hours()))
	}
	return fmt.Sprintf("%d days", int(d.Hours()/24))
}
