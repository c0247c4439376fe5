package opcua

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/gopcua/opcua/ua"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/plugins/sheet"
)

// defaultEvery is how often the server looks whether a value has changed.
const defaultEvery = time.Second

// Sheet is what a sheet says to this driver: which nodes to watch.
type Sheet struct {
	channels []sheet.Fed
	nodes    []node
	every    time.Duration // in the lab's time
}

// node is a variable of the server that feeds a channel.
type node struct {
	channel int
	text    string // as the sheet writes it
	// namespace is the namespace by its name, and rest the id within it; without a
	// name rest is the whole id.
	namespace, rest string
}

// Check records what is wrong with the sections of a sheet that this driver reads.
func Check(n *document.Node) { ReadSheet(n) }

// ReadSheet reads the sections of a sheet that this driver reads, and records
// what is wrong with them as problems of the document. The sheet may be used only
// if there are none.
func ReadSheet(n *document.Node) *Sheet {
	s := &Sheet{every: n.Field("talk").Field("every").Duration(defaultEvery)}
	feeds := sheet.ReadFeeds(n, "node")
	s.channels = feeds.Channels
	list := n.Require("nodes", "a list of nodes, each with channel and node")
	for _, item := range list.Items() {
		if item.Expect(document.Map) {
			s.nodes = append(s.nodes, readNode(item, feeds))
		}
	}
	if list != nil {
		feeds.End("nodes")
	}
	return s
}

func readNode(n *document.Node, feeds *sheet.Feeds) node {
	v := node{channel: feeds.Feed(n.Require("channel", "the name of the channel that it feeds"))}
	at := n.Require("node", `the id of the node, such as "nsu=urn:maker:meter;s=Air.Temperature" or "ns=2;i=1001"`)
	if v.text = at.Text(""); v.text != "" {
		var err error
		if v.namespace, v.rest, err = parseNode(v.text); err != nil {
			at.Problem("%v", err)
		}
	}
	return v
}

// parseNode reads the id of a node as text (OPC UA part 6, 5.3.1.10): the namespace by
// number (ns=2;…) or by name (nsu=urn:…;…), and i= a number, s= a text, g= a GUID or
// b= bytes in base64.
func parseNode(text string) (namespace, rest string, err error) {
	const how = "write ns=NUMBER; or nsu=NAME; and then s=TEXT, i=NUMBER, g=GUID or b=BASE64"
	rest = text
	if name, ok := strings.CutPrefix(text, "nsu="); ok {
		if namespace, rest, ok = strings.Cut(name, ";"); !ok || namespace == "" {
			return "", "", fmt.Errorf("%q is no id of a node: %s", text, how)
		}
	}
	bare := rest
	if namespace == "" {
		if number, after, ok := strings.Cut(rest, ";"); ok && strings.HasPrefix(number, "ns=") {
			bare = after
		}
	}
	// The library also takes an id without its kind for a text.
	if len(bare) < 3 || !strings.Contains("isgb", bare[:1]) || bare[1] != '=' {
		return "", "", fmt.Errorf("%q is no id of a node: %s", text, how)
	}
	if _, err = ua.ParseNodeID(rest); err != nil {
		return "", "", fmt.Errorf("%q is no id of a node (%v): %s", text, err, how)
	}
	return namespace, rest, nil
}

// at returns the node's id on a server that has these namespaces.
func (v *node) at(namespaces []string) (*ua.NodeID, error) {
	if v.namespace == "" {
		return ua.ParseNodeID(v.rest)
	}
	i := slices.Index(namespaces, v.namespace)
	if i < 0 {
		return nil, fmt.Errorf("the server has no namespace %q; it has %q", v.namespace, namespaces)
	}
	return ua.ParseNodeID(fmt.Sprintf("ns=%d;%s", i, v.rest))
}
