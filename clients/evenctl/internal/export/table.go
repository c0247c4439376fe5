// Package export makes tables of the record for other software: comma-separated
// values and JSON Lines, the same columns in both.
//
// Units stand in columns of their own and are UCUM codes; times are UTC in
// ISO 8601; numbers have a decimal point and every digit that the record has.
package export

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"iter"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"
)

// Table is rows under named columns. A cell is a string, a number, a bool, a
// *timestamppb.Timestamp, or nil for what is not known.
type Table struct {
	Columns []string
	Rows    iter.Seq2[[]any, error]
}

// rows makes a table's rows of a function that cannot fail.
func rows(each func(yield func(...any) bool)) iter.Seq2[[]any, error] {
	return func(yield func([]any, error) bool) {
		each(func(cells ...any) bool { return yield(cells, nil) })
	}
}

// CSV writes t as RFC 4180 says, with a header.
//
// Text that a spreadsheet would take for a formula gets an apostrophe before it,
// which spreadsheets show as that text.
func (t Table) CSV(w io.Writer) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	if err := out.Write(t.Columns); err != nil {
		return err
	}
	record := make([]string, len(t.Columns))
	for cells, err := range t.Rows {
		if err != nil {
			out.Flush() // what is there is sound, as far as it goes
			return err
		}
		for i, c := range cells {
			record[i] = csvCell(c)
		}
		if err := out.Write(record); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

func csvCell(c any) string {
	switch v := c.(type) {
	case nil:
		return ""
	case string:
		return guard(v)
	case float64:
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return ""
		}
		return strconv.FormatFloat(v, 'f', -1, 64)
	case *timestamppb.Timestamp:
		return isoTime(v)
	}
	return fmt.Sprint(c)
}

var number = regexp.MustCompile(`^[-+]?[0-9]+([.,][0-9]+)?$`)

// guard keeps text from being run as a formula. A number may begin with a sign.
func guard(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r\n", rune(s[0])) && !number.MatchString(s) {
		return "'" + s
	}
	return s
}

// JSONLines writes t as one JSON object a line; what is not known is null.
func (t Table) JSONLines(w io.Writer) error {
	out := bufio.NewWriter(w)
	var b bytes.Buffer
	for cells, err := range t.Rows {
		if err != nil {
			out.Flush()
			return err
		}
		b.Reset()
		b.WriteByte('{')
		for i, c := range cells {
			if i > 0 {
				b.WriteByte(',')
			}
			fmt.Fprintf(&b, "%q:", t.Columns[i])
			if err := jsonCell(&b, c); err != nil {
				return err
			}
		}
		b.WriteString("}\n")
		if _, err := out.Write(b.Bytes()); err != nil {
			return err
		}
	}
	return out.Flush()
}

func jsonCell(b *bytes.Buffer, c any) error {
	switch v := c.(type) {
	case float64:
		if math.IsNaN(v) || math.IsInf(v, 0) {
			c = nil
		}
	case *timestamppb.Timestamp:
		if c = nil; v != nil {
			c = isoTime(v)
		}
	}
	text, err := json.Marshal(c)
	if err != nil {
		return err
	}
	b.Write(text)
	return nil
}

func isoTime(t *timestamppb.Timestamp) string {
	if t == nil {
		return ""
	}
	return t.AsTime().Format(time.RFC3339Nano)
}
