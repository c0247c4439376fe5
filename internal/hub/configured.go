package hub

import (
	"github.com/evenbench/evenbench/internal/lab"
	"github.com/evenbench/evenbench/internal/normalize"
)

// What the lab file says of an instrument, for those who do not hold the hub's lock.

func (h *Hub) normalized(instrument string) []normalize.Channel {
	c, _ := h.channels.Load(instrument)
	list, _ := c.([]normalize.Channel)
	return list
}

func (h *Hub) stated(instrument string) string {
	identity, _ := h.devices.Load(instrument)
	text, _ := identity.(string)
	return text
}

func (h *Hub) checksOf(instrument string) []lab.ChannelCheck {
	c, _ := h.checks.Load(instrument)
	list, _ := c.([]lab.ChannelCheck)
	return list
}
