package drivertest

import (
	"context"
	"errors"
	"fmt"
	"regexp/syntax"
	"strings"
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// LinesFor returns a device that says what a sheet reads: a line that its first rule
// of read matches, or a ticket that all do, ended as frame says; by itself, or when it
// is asked.
func LinesFor(sheet map[string]any) (*Lines, error) {
	patterns := matches(sheet)
	if len(patterns) == 0 {
		return nil, errors.New("the sheet has no rules under read")
	}
	frame, _ := sheet["frame"].(map[string]any)
	end, ok := frame["line"].(string)
	if !ok {
		return nil, errors.New("the sheet's frames are no lines")
	}
	if ticket, ok := frame["ticket"].(map[string]any); ok {
		first, _ := ticket["begin"].(string)
		last, _ := ticket["end"].(string)
		patterns = append(append([]string{first}, patterns...), last)
	} else {
		patterns = patterns[:1]
	}
	var text string
	for _, p := range patterns {
		line, err := Sample(p)
		if err != nil {
			return nil, fmt.Errorf("make a line that %q matches: %w", p, err)
		}
		text += line + end
	}
	l, err := NewLines(func(int) string { return text })
	if err != nil {
		return nil, err
	}
	l.AnswerAs(sheet)
	return l, nil
}

// matches returns the patterns of a sheet's rules that must match.
func matches(sheet map[string]any) (patterns []string) {
	rules, _ := sheet["read"].([]any)
	for _, r := range rules {
		rule, _ := r.(map[string]any)
		if pattern, _ := rule["match"].(string); pattern != "" && rule["optional"] != true {
			patterns = append(patterns, pattern)
		}
	}
	return patterns
}

// AnswerAs makes the device answer, if a sheet has it asked.
func (l *Lines) AnswerAs(sheet map[string]any) {
	talk, _ := sheet["talk"].(map[string]any)
	_, byItself := talk["every"]
	switch {
	case talk["mode"] != "ask":
	case byItself:
		l.Answer(nil)
	default:
		l.Answer(func(ctx context.Context, driver pb.DriverServiceClient) error {
			_, err := driver.Act(ctx, &pb.ActRequest{Action: pb.Action_ACTION_MEASURE})
			return err
		})
	}
}

// Elsewhere is a device that the suite cannot make do anything: it is there, and gives
// a reading by itself so often.
func Elsewhere(link map[string]any, every time.Duration) Device {
	return Device{
		Link: link,
		Most: 100,
		Say: func(ctx context.Context, _ pb.DriverServiceClient, n int) error {
			timer := time.NewTimer(time.Duration(n) * every)
			defer timer.Stop()
			select {
			case <-timer.C:
				return nil
			case <-ctx.Done():
				return fmt.Errorf("%d readings, one every %v, take too long", n, every)
			}
		},
	}
}

// Entered is a person who types text as the reading of a channel.
func Entered(channel, text string) Device {
	return Device{
		Most: 1_000,
		Say: func(ctx context.Context, driver pb.DriverServiceClient, n int) error {
			for range n {
				if _, err := driver.Act(ctx, &pb.ActRequest{Action: pb.Action_ACTION_ENTER, Channel: channel, Text: text}); err != nil {
					return err
				}
			}
			return nil
		},
	}
}

// Sample returns a text that a regular expression matches, with digits where there
// may be some.
func Sample(pattern string) (string, error) {
	re, err := syntax.Parse(pattern, syntax.Perl)
	if err != nil {
		return "", err
	}
	var b strings.Builder
	sample(&b, re)
	return b.String(), nil
}

func sample(b *strings.Builder, re *syntax.Regexp) {
	switch re.Op {
	case syntax.OpLiteral:
		b.WriteString(string(re.Rune))
	case syntax.OpCharClass:
		b.WriteRune(digitOr(re.Rune))
	case syntax.OpAnyChar, syntax.OpAnyCharNotNL:
		b.WriteByte('1')
	case syntax.OpAlternate:
		sample(b, re.Sub[0])
	case syntax.OpRepeat:
		for range max(re.Min, 1) {
			sample(b, re.Sub[0])
		}
	case syntax.OpStar, syntax.OpQuest: // none
	default:
		for _, s := range re.Sub {
			sample(b, s)
		}
	}
}

// digitOr returns a digit of a class, or else its first character. Ranges are pairs of
// first and last.
func digitOr(ranges []rune) rune {
	for i := 0; i+1 < len(ranges); i += 2 {
		if d := max(ranges[i], '1'); d <= min(ranges[i+1], '9') {
			return d
		}
	}
	if len(ranges) == 0 {
		return ' '
	}
	return ranges[0]
}
