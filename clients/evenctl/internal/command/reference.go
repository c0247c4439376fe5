package command

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"github.com/evenbench/evenbench/clients/show"
	"github.com/evenbench/evenbench/internal/units"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// referenceFlags say what a reference is, and what the columns of its file are.
type referenceFlags struct {
	reference, time, bean, event string
	marks, values                []string
}

func (f *referenceFlags) add(c *cobra.Command) {
	c.Flags().StringVar(&f.reference, "reference", "", "hold the samples against this `FILE`, a CSV table, or against the latest roast of this SAMPLE")
	c.Flags().StringVar(&f.time, "time", "time:s", "`column:unit` of the time in the FILE; the unit is s, min or m:s")
	c.Flags().StringVar(&f.bean, "bean", "bean:Cel", "`column:unit` of the bean probe; the unit is Cel, [degF] or K")
	c.Flags().StringVar(&f.event, "event", "", "`column` of the FILE in which marks are named, as charge or first-crack")
	c.Flags().StringSliceVar(&f.marks, "mark", nil, "a mark of the FILE by its time there, as `first-crack=8:12`")
	c.Flags().StringSliceVar(&f.values, "value", nil, "what was measured of it, as `colour_ground=63~0.3@SCALE`: value, uncertainty, and the scale of a colour")
}

// request says what the reference is. What has a table's ending, or is there, is a file.
func (f *referenceFlags) request() (*pb.TranslateRequest, error) {
	if _, err := os.Stat(f.reference); err != nil && !strings.EqualFold(filepath.Ext(f.reference), ".csv") {
		return &pb.TranslateRequest{Sample: f.reference}, nil
	}
	file, err := os.Open(f.reference)
	if err != nil {
		return nil, fmt.Errorf("read the reference: %w", err)
	}
	defer file.Close()
	curve, err := f.read(f.reference, file)
	return &pb.TranslateRequest{Curve: curve}, err
}

// table reads a CSV table, and says where in it something is wrong.
type table struct {
	name string
	csv  *csv.Reader
	head []string
}

// at says what is wrong with a cell of the row that was read last.
func (t *table) at(cell int, format string, args ...any) error {
	line, column := t.csv.FieldPos(cell)
	return usage("%s:%d:%d: %s", t.name, line, column, fmt.Sprintf(format, args...))
}

// column finds a column by its heading.
func (t *table) column(heading string) (int, error) {
	i := slices.Index(t.head, heading)
	if i < 0 {
		return 0, t.at(0, "there is no column %q; there are %s", heading, strings.Join(t.head, ", "))
	}
	return i, nil
}

// read reads a reference curve.
func (f *referenceFlags) read(name string, from io.Reader) (*pb.ReferenceCurve, error) {
	t := &table{name: name, csv: csv.NewReader(from)}
	var err error
	if t.head, err = t.csv.Read(); err != nil {
		return nil, usage("%s:1:1: the headings of its columns cannot be read: %v", name, err)
	}
	t.head[0] = strings.TrimPrefix(t.head[0], "\ufeff")
	timeAt, clock, err := t.declared("--time", f.time, "duration")
	if err != nil {
		return nil, err
	}
	beanAt, degrees, err := t.declared("--bean", f.bean, "temperature")
	if err != nil {
		return nil, err
	}
	eventAt := -1
	if f.event != "" {
		if eventAt, err = t.column(f.event); err != nil {
			return nil, err
		}
	}
	c := &pb.ReferenceCurve{Name: strings.TrimSuffix(filepath.Base(name), filepath.Ext(name))}
	for {
		row, err := t.csv.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		var wrong *csv.ParseError
		if errors.As(err, &wrong) {
			return nil, usage("%s:%d:%d: %v", name, wrong.Line, wrong.Column, wrong.Err)
		} else if err != nil {
			return nil, err
		}
		at, err := clock(row[timeAt])
		if err != nil {
			return nil, t.at(timeAt, "%v", err)
		}
		if n := len(c.AtS); n > 0 && at <= c.AtS[n-1] {
			return nil, t.at(timeAt, "%q is not after the row before", row[timeAt])
		}
		if eventAt >= 0 && strings.TrimSpace(row[eventAt]) != "" {
			kind, ok := show.Choice(pb.MarkKind(0).Descriptor(), strings.TrimSpace(row[eventAt]))
			if !ok {
				return nil, t.at(eventAt, "%q is no mark; there are %s", row[eventAt], strings.Join(show.Choices(pb.MarkKind(0).Descriptor()), ", "))
			}
			c.Marks = append(c.Marks, &pb.ReferenceMark{Kind: pb.MarkKind(kind), AtS: at})
		}
		if strings.TrimSpace(row[beanAt]) == "" {
			continue // the probe was not read
		}
		cel, err := degrees(row[beanAt])
		if err != nil {
			return nil, t.at(beanAt, "%v", err)
		}
		c.AtS, c.Cel = append(c.AtS, at), append(c.Cel, cel)
	}
	return c, errors.Join(f.readMarks(c), f.readValues(c))
}

// declared finds a column that is declared with its unit, and how its cells are read.
func (t *table) declared(flag, text, quantity string) (int, func(string) (float64, error), error) {
	i := strings.LastIndex(text, ":")
	heading, unit := text, ""
	if strings.HasSuffix(text, ":m:s") {
		heading, unit = strings.TrimSuffix(text, ":m:s"), "m:s"
	} else if i >= 0 {
		heading, unit = text[:i], text[i+1:]
	}
	if unit == "" {
		return 0, nil, usage("%s %q has no unit; give a column and its unit, such as %s", flag, text, map[string]string{"duration": "time:s", "temperature": "bean:Cel"}[quantity])
	}
	at, err := t.column(heading)
	if err != nil {
		return 0, nil, err
	}
	if unit == "m:s" {
		return at, minutes, nil
	}
	q, _ := units.Lookup(quantity)
	way, err := q.From(unit)
	if err != nil {
		return 0, nil, usage("%s %q: %v", flag, text, err)
	}
	return at, func(cell string) (float64, error) {
		v, err := strconv.ParseFloat(strings.TrimSpace(cell), 64)
		if err != nil {
			return 0, fmt.Errorf("%q is no number", cell)
		}
		return way.Apply(v), nil
	}, nil
}

// minutes reads a time as 8:12, or 8:12.5.
func minutes(text string) (float64, error) {
	m, s, ok := strings.Cut(strings.TrimSpace(text), ":")
	whole, err1 := strconv.ParseUint(m, 10, 16)
	seconds, err2 := strconv.ParseFloat(s, 64)
	if !ok || err1 != nil || err2 != nil || !(seconds >= 0 && seconds < 60) {
		return 0, fmt.Errorf("%q is no time of minutes and seconds, such as 8:12", text)
	}
	return 60*float64(whole) + seconds, nil
}

func (f *referenceFlags) readMarks(c *pb.ReferenceCurve) error {
	for _, text := range f.marks {
		word, when, ok := strings.Cut(text, "=")
		kind, known := show.Choice(pb.MarkKind(0).Descriptor(), word)
		at, err := minutes(when)
		if s, bad := strconv.ParseFloat(when, 64); bad == nil {
			at, err = s, nil
		}
		if !ok || !known || err != nil {
			return usage("--mark %q is no mark; give one such as first-crack=8:12, of %s", text, strings.Join(show.Choices(pb.MarkKind(0).Descriptor()), ", "))
		}
		c.Marks = append(c.Marks, &pb.ReferenceMark{Kind: pb.MarkKind(kind), AtS: at})
	}
	return nil
}

func (f *referenceFlags) readValues(c *pb.ReferenceCurve) error {
	for _, text := range f.values {
		name, rest, ok := strings.Cut(text, "=")
		rest, basis, _ := strings.Cut(rest, "@")
		number, sure, stated := strings.Cut(rest, "~")
		v := &pb.ParityValue{Name: strings.ReplaceAll(name, "-", "_"), Basis: basis}
		var err error
		if v.Value, err = strconv.ParseFloat(number, 64); !ok || err != nil {
			return usage("--value %q is no value; give one such as dry_matter_loss=5.1~0.1", text)
		}
		if stated {
			u, err := strconv.ParseFloat(sure, 64)
			if err != nil {
				return usage("--value %q: %q is no standard uncertainty", text, sure)
			}
			v.StandardUncertainty = &u
		}
		c.Values = append(c.Values, v)
	}
	return nil
}
