package panel

import (
	"bufio"
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
)

// Key is what the codes of a session stand for, and the seed that they were drawn from. It
// is a secret until the session is closed.
type Key struct {
	Session string
	Seed    Seed
	Cups    []Cup
}

// keyHead is the first line of a key.
const keyHead = "evenbench panel key 1"

// noRoast stands in a key for a roast that has no name.
const noRoast = "-"

// Text writes a key as lines, for whoever sets the table and for the commitment: the head,
// the name of the session, the seed in hexadecimal, and for each cup its code, lot, roast
// and copy.
func (k Key) Text() []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "%s\n%s\n%x\n", keyHead, k.Session, k.Seed[:])
	for _, c := range k.Cups {
		roast := c.Roast
		if roast == "" {
			roast = noRoast
		}
		fmt.Fprintf(&b, "%d %s %s %d\n", c.Code, c.Lot, roast, c.Copy)
	}
	return b.Bytes()
}

// Commitment is the SHA-256 of the text: who has it can tell later whether the key is the
// one that it was made of, and nothing else, for the seed in the text cannot be guessed.
func (k Key) Commitment() [32]byte { return sha256.Sum256(k.Text()) }

// Pass is what lets one assessor into the session, as it was opened by one request. It is
// made from the seed, so that it need not be kept, and tells nothing of it.
func (k Key) Pass(request, assessor string) [32]byte {
	mac := hmac.New(sha256.New, k.Seed[:])
	fmt.Fprintf(mac, "pass %q %q", request, assessor)
	return [32]byte(mac.Sum(nil))
}

// ParseKey reads a key. It is an error if the text is not to the last byte what Text
// writes.
func ParseKey(text []byte) (Key, error) {
	const doing = "read the key of a session"
	var k Key
	lines := bufio.NewScanner(bytes.NewReader(text))
	for n := 1; lines.Scan(); n++ {
		line := lines.Text()
		var err error
		switch n {
		case 1:
			if line != keyHead {
				err = fmt.Errorf("it begins with %q and not with %q", line, keyHead)
			}
		case 2:
			k.Session = line
		case 3:
			var seed []byte
			if seed, err = hex.DecodeString(line); err == nil && len(seed) != len(k.Seed) {
				err = fmt.Errorf("the seed has %d bytes and not %d", len(seed), len(k.Seed))
			}
			copy(k.Seed[:], seed)
		default:
			var c Cup
			if c, err = parseCup(line); err == nil {
				k.Cups = append(k.Cups, c)
			}
		}
		if err != nil {
			return Key{}, fmt.Errorf("%s: line %d: %w", doing, n, err)
		}
	}
	if !bytes.Equal(k.Text(), text) {
		return Key{}, fmt.Errorf("%s: it is not as it was written", doing)
	}
	return k, nil
}

func parseCup(line string) (Cup, error) {
	words := strings.Split(line, " ")
	if len(words) != 4 {
		return Cup{}, fmt.Errorf("%q is not code, lot, roast and copy", line)
	}
	code, err := strconv.Atoi(words[0])
	if err != nil {
		return Cup{}, fmt.Errorf("the code is %q", words[0])
	}
	again, err := strconv.Atoi(words[3])
	if err != nil {
		return Cup{}, fmt.Errorf("the copy is %q", words[3])
	}
	c := Cup{Code: Code(code), Lot: words[1], Roast: words[2], Copy: again}
	if c.Roast == noRoast {
		c.Roast = ""
	}
	return c, nil
}
