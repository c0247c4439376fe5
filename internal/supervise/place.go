package supervise

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
)

// Longest path of a Unix socket that every system takes, in bytes: 108 on Linux
// and 104 on the BSDs, with the closing zero.
const longestSocket = 103

// Room for what go-plugin appends to the directory it is given:
// "/plugin-dir" and "/plugin", each with a random number of up to 10 digits.
const socketName = len("/plugin-dir") + 10 + len("/plugin") + 10

// place is the directory of one instrument's driver.
type place struct {
	dir string
	// Where the socket goes: dir, or a short one beside it.
	sockets string
}

// newPlace makes the directory and empties it of what an earlier driver left.
func newPlace(root, instrument string) (place, error) {
	p := place{dir: filepath.Join(root, instrument)}
	if err := os.MkdirAll(p.dir, 0o700); err != nil {
		return p, fmt.Errorf("make the driver's directory: %w", err)
	}
	// It may have been there before, with another mode.
	if err := os.Chmod(p.dir, 0o700); err != nil {
		return p, fmt.Errorf("close the driver's directory to others: %w", err)
	}
	return p, nil
}

// clear removes the sockets of a driver that is gone, and makes room for those
// of the next.
func (p *place) clear() error {
	old, _ := filepath.Glob(filepath.Join(p.dir, "plugin-dir*"))
	for _, dir := range old {
		_ = os.RemoveAll(dir)
	}
	p.leave()
	p.sockets = p.dir
	if len(p.dir)+socketName <= longestSocket {
		return nil
	}
	short, err := os.MkdirTemp(shortTemp(), shortName)
	if err == nil {
		err = os.Symlink(short, p.short())
	}
	if err != nil {
		return fmt.Errorf("make a directory for the socket, as the path of %s is too long for one: %w", p.dir, err)
	}
	p.sockets = short
	return nil
}

// shortName is how the name of a short directory begins.
const shortName = "eb"

// short is a link to the short directory: a hub that was killed could not remove it,
// and the next one has to find it.
func (p *place) short() string { return filepath.Join(p.dir, "sockets") }

// leave removes the short directory, if there is one, whichever hub made it.
func (p *place) leave() {
	p.sockets = ""
	dir, err := os.Readlink(p.short())
	if err != nil {
		return
	}
	if filepath.Dir(dir) == shortTemp() && strings.HasPrefix(filepath.Base(dir), shortName) {
		_ = os.RemoveAll(dir)
	}
	_ = os.Remove(p.short())
}

func shortTemp() string {
	if t := os.TempDir(); len(t)+len("/eb")+10+socketName <= longestSocket {
		return t
	}
	return "/tmp"
}

func (p *place) log() string        { return filepath.Join(p.dir, "stderr.log") }
func (p *place) attachment() string { return filepath.Join(p.dir, "attach.json") }

// trimLog begins stderr.log anew when it has grown long. The driver appends, so
// it goes on at the beginning.
func (p *place) trimLog() {
	if i, err := os.Stat(p.log()); err == nil && i.Size() > longestLog {
		_ = os.Truncate(p.log(), 0)
	}
}

// lastWords returns the last line that the driver wrote to its log.
func (p *place) lastWords() string {
	f, err := os.Open(p.log())
	if err != nil {
		return ""
	}
	defer func() { _ = f.Close() }()
	const tail = 400
	if i, err := f.Stat(); err == nil && i.Size() > tail {
		_, _ = f.Seek(-tail, io.SeekEnd)
	}
	b, _ := io.ReadAll(io.LimitReader(f, tail))
	lines := strings.Split(strings.TrimSpace(string(b)), "\n")
	return strings.ToValidUTF8(lines[len(lines)-1], "\uFFFD")
}
