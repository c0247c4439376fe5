// Package show writes the record as people read it: aligned columns, values with
// their units, times of the lab's day. Colour only repeats what the words say.
package show

import "time"

// Style is how to show things.
type Style struct {
	// Zone of the times shown; nil: local time.
	Zone *time.Location
	// Colour allows escape sequences for colour.
	Colour bool
}

// Bad marks text that reports something lost or broken.
func (s Style) Bad(text string) string { return s.paint("\x1b[31m", text) }

// Warn marks text that asks for a look.
func (s Style) Warn(text string) string { return s.paint("\x1b[33m", text) }

func (s Style) paint(code, text string) string {
	if !s.Colour || text == "" {
		return text
	}
	return code + text + "\x1b[0m"
}
