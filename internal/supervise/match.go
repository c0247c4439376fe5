package supervise

import (
	"fmt"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// match says how the channels that a driver offers differ from those of the
// sheet; nil if they do not.
func match(offered, wanted []*pb.Channel) error {
	missing := map[string]bool{}
	for _, c := range wanted {
		missing[c.GetName()] = true
	}
	for _, c := range offered {
		if !missing[c.GetName()] {
			return fmt.Errorf("the driver offers channel %q, which the sheet does not have, or offers it twice; make the sheet's channels those of the driver", c.GetName())
		}
		delete(missing, c.GetName())
	}
	for _, c := range wanted {
		if missing[c.GetName()] {
			return fmt.Errorf("the sheet has channel %q, which the driver does not offer; make the sheet's channels those of the driver", c.GetName())
		}
	}
	return nil
}
