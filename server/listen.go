package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/internal/link"
	"github.com/evenbench/evenbench/internal/transcript"
	"github.com/evenbench/evenbench/internal/try"
)

// listen tries an instrument that has no sheet yet.
func listen(c *cobra.Command, to map[string]any, o tryOptions) error {
	l := try.Listening{Link: to, For: o.length, Every: o.every}
	if o.ask != "" {
		text, err := strconv.Unquote(`"` + o.ask + `"`)
		if err != nil || o.every <= 0 {
			return usageError{fmt.Errorf(`--ask: %s every %v cannot be sent: write text with \r and \n, or \xHH for a byte, and a time above 0`, o.ask, o.every)}
		}
		l.Ask = []byte(text)
	}
	name := strings.TrimSuffix(filepath.Base(o.draft), filepath.Ext(o.draft))
	var file *os.File
	if o.draft != "" {
		if !document.IsName(name, '-') {
			return usageError{fmt.Errorf("--draft: %q cannot be the name of a sheet: use lower case letters, digits and '-', such as my-meter.yaml", name)}
		}
		var err error
		if file, err = create("--draft", o.draft); err != nil {
			return err
		}
	}
	var heard *try.Listened
	heading := []transcript.Note{{Word: "link", Text: o.link}, {Word: "taken", Text: time.Now().UTC().Format(time.RFC3339)}}
	err := saved(c, o.save, heading, func(tap link.Tap) (err error) {
		l.Tap = tap
		heard, err = try.Listen(c.Context(), c.OutOrStdout(), l)
		return err
	})
	switch {
	case file == nil:
		if err == nil {
			fmt.Fprintln(c.OutOrStdout(), "\nWith --draft my-meter.yaml it writes a sheet that would read this.")
		}
		return err
	case err != nil:
		return errors.Join(err, file.Close(), os.Remove(o.draft)) // there is nothing in it
	}
	return drafted(c, file, heard, name)
}

// drafted writes the draft, and what is to be done with it.
func drafted(c *cobra.Command, file *os.File, heard *try.Listened, name string) error {
	path := file.Name()
	d := heard.Draft(name, path)
	if _, err := file.WriteString(d.Text); err != nil {
		return errors.Join(fmt.Errorf("write %s: %w", path, err), file.Close())
	}
	if err := file.Close(); err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	out := c.OutOrStdout()
	fmt.Fprintf(out, "\nA draft is in %s. Look at every line of it.\n", path)
	if len(d.Unread) > 0 {
		fmt.Fprintln(out, "It does not read:")
		for _, u := range d.Unread {
			fmt.Fprintf(out, "  %s\n", u)
		}
	}
	if len(d.Missing) == 0 {
		fmt.Fprintf(out, "It reads %d of %d messages, and evenbench check accepts it. Then:\n  evenbench try %s --link …\n",
			d.Read, len(heard.Framing.Messages), path)
		return nil
	}
	fmt.Fprintln(out, "FILL IN, until evenbench check accepts it:")
	for _, p := range d.Missing {
		fmt.Fprintf(out, "  %v\n", p)
	}
	return nil
}
