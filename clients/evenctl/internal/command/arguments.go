package command

import (
	"context"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// arguments checks the number of arguments; names says what they are.
func arguments(least, most int, names string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) < least || (most >= 0 && len(args) > most) {
			if names == "" {
				return usage("%s takes no arguments, and got %q", c.CommandPath(), args)
			}
			return usage("%s takes %s, and got %d arguments", c.CommandPath(), names, len(args))
		}
		return nil
	}
}

// choice reads a value of an enumeration.
func choice(what string, d protoreflect.EnumDescriptor, text string) (protoreflect.EnumNumber, error) {
	n, ok := show.Choice(d, text)
	if !ok {
		return 0, usage("%s %q is not known; there are %s", what, text, strings.Join(show.Choices(d), ", "))
	}
	return n, nil
}

// moment reads a time: RFC 3339, a time of the lab's day (09:14 or 09:14:30), or
// how long ago (-90s). Empty: absent, which the hub takes as now.
func (p *program) moment(ctx context.Context, text string) (*timestamppb.Timestamp, error) {
	if text == "" {
		return nil, nil
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return timestamppb.New(t), nil
	}
	ago, err := time.ParseDuration(text)
	isAgo := err == nil && strings.HasPrefix(text, "-")
	clock, err := time.Parse(time.TimeOnly, text)
	if err != nil {
		clock, err = time.Parse("15:04", text)
	}
	if !isAgo && err != nil {
		return nil, usage("--at %q is no time; give 09:14, 09:14:30, -90s (ago), or 2026-11-25T09:14:30Z", text)
	}
	// The lab's day and hour, which in a simulation are not today's.
	client, err := p.record()
	if err != nil {
		return nil, err
	}
	info, err := client.GetRecordInfo(ctx, &pb.GetRecordInfoRequest{})
	if err != nil {
		return nil, err
	}
	now := info.GetLabTime().AsTime().In(p.zone())
	if isAgo {
		return timestamppb.New(now.Add(ago)), nil
	}
	return timestamppb.New(time.Date(now.Year(), now.Month(), now.Day(), clock.Hour(), clock.Minute(), clock.Second(), 0, now.Location())), nil
}

// day reads a date, of which it returns the first moment or the last, or a time in RFC
// 3339. Empty: absent.
func (p *program) day(flag, text string, end bool) (*timestamppb.Timestamp, error) {
	if text == "" {
		return nil, nil
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return timestamppb.New(t), nil
	}
	day, err := time.ParseInLocation(time.DateOnly, text, p.zone())
	if err != nil {
		return nil, usage("%s %q is no day; give 2026-11-20, or a time as 2026-11-20T09:14:30Z", flag, text)
	}
	if end {
		day = day.AddDate(0, 0, 1).Add(-time.Nanosecond)
	}
	return timestamppb.New(day), nil
}

func (p *program) zone() *time.Location {
	if z := p.style().Zone; z != nil {
		return z
	}
	return time.Local
}

// numbers reads FIRST-LAST, or one number for both.
func numbers(text string) (first, last uint64, err error) {
	a, b, ranged := strings.Cut(text, "-")
	if !ranged {
		b = a
	}
	first, e1 := strconv.ParseUint(a, 10, 64)
	last, e2 := strconv.ParseUint(b, 10, 64)
	if e1 != nil || e2 != nil || first == 0 || last < first {
		return 0, 0, usage("readings %q are no range; give FIRST-LAST, from 1", text)
	}
	return first, last, nil
}
