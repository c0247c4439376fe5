//go:build !linux

package replay

import (
	"context"
	"errors"
)

// ServeLine needs pseudo-terminals as Linux has them.
func (p *Player) ServeLine(context.Context, string, bool, func(string)) error {
	return errors.New("a serial line can be made on Linux only: play to a TCP port")
}
