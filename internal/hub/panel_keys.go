package hub

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/evenbench/evenbench/internal/panel"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// keyFolder is where the keys of sessions are, beneath the data folder.
const keyFolder = "panel"

// keyring keeps what the codes of sessions stand for, in files that only the hub's own user
// may read. Nothing of them is in memory or in the record while a session is open.
type keyring struct{ data string }

// file returns the place of a key beneath the data folder.
func (keyring) file(session string) string { return filepath.Join(keyFolder, session+".key") }

// keep writes a key, and returns when it will outlast a loss of power.
func (r keyring) keep(k panel.Key) error {
	folder := filepath.Join(r.data, keyFolder)
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return fmt.Errorf("keep the key of session %s: %w", k.Session, err)
	}
	place := filepath.Join(r.data, r.file(k.Session))
	err := writeSynced(place+".new", k.Text())
	if err == nil {
		err = os.Rename(place+".new", place)
	}
	for _, dir := range []string{folder, r.data} {
		if err == nil {
			err = syncFolder(dir)
		}
	}
	if err != nil {
		return fmt.Errorf("keep the key of session %s: %w", k.Session, err)
	}
	return nil
}

func writeSynced(name string, text []byte) error {
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	return errors.Join(err, f.Sync(), f.Close())
}

// read returns the key that a session was planned with, or refuses if it is not there any
// more.
func (r keyring) read(m *pb.PanelPlanned) (panel.Key, error) {
	lost := func(why string) error {
		return refuse(pb.ErrorReason_ERROR_REASON_KEY_LOST,
			"session: what the codes of %s stand for is in %s in the hub's data folder, and %s: put the file back from a copy, or give the session up with abandon and a reason; its ballots stay in the record",
			m.GetSession(), r.file(m.GetSession()), why)
	}
	text, err := os.ReadFile(filepath.Join(r.data, r.file(m.GetSession())))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return panel.Key{}, lost("that is not there")
	case err != nil:
		return panel.Key{}, lost("that cannot be read (" + err.Error() + ")")
	}
	k, err := panel.ParseKey(text)
	if c := k.Commitment(); err != nil || string(c[:]) != string(m.GetCommitment()) {
		return panel.Key{}, lost("that is not what the session was planned with")
	}
	return k, nil
}
