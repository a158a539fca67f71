package cli

import (
	"fmt"
	"io"
	"sync"

	cannularyv1 "cannulary/proto/cannulary/v1"
)

// How many notices load prints: of equal ones, and in all. Thousands of messages may give the same one.
const (
	noticesEqual = 5
	noticesAll   = 200
)

// notices prints what the service says of messages although it took them. It prints a bounded
// number, and in the end how many more there were.
type notices struct {
	w       io.Writer
	list    []*notice // in the order of their first message
	of      map[string]*notice
	printed int // of all
	others  int // whose text was never printed

	mu sync.Mutex
	// places are the places of the messages that have no answer yet. Another goroutine reads the files.
	places map[*cannularyv1.FeedRequest]string
}

func newNotices(w io.Writer) *notices {
	return &notices{w: w, of: map[string]*notice{}, places: map[*cannularyv1.FeedRequest]string{}}
}

// notice is one text.
type notice struct {
	text          string
	printed, more int
}

// sent keeps where a message stands.
func (n *notices) sent(r *cannularyv1.FeedRequest, path string, line int) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.places[r] = fmt.Sprintf("%s line %d", path, line)
}

// answered prints the notices of a final answer, and returns where the message stands.
func (n *notices) answered(r *cannularyv1.FeedRequest, a *cannularyv1.FeedResponse) (place string) {
	n.mu.Lock()
	place = n.places[r]
	delete(n.places, r)
	n.mu.Unlock()
	for _, text := range a.GetNotices() {
		text = oneLine(text)
		of := n.of[text]
		switch {
		case of == nil && n.printed == noticesAll:
			n.others++
			continue
		case of == nil:
			of = &notice{text: text}
			n.of[text], n.list = of, append(n.list, of)
		}
		if of.printed == noticesEqual || n.printed == noticesAll {
			of.more++
			continue
		}
		of.printed++
		n.printed++
		fmt.Fprintf(n.w, "%s: message %q was taken, with a notice: %s\n", place, a.GetSourceMessageId(), text)
	}
	return place
}

// end says how many notices were not printed.
func (n *notices) end() {
	for _, of := range n.list {
		if of.more > 0 {
			fmt.Fprintf(n.w, "and %d more with this notice: %s\n", of.more, of.text)
		}
	}
	if n.others > 0 {
		fmt.Fprintf(n.w, "and %d more with other notices; load the messages in smaller files to read them\n", n.others)
	}
}
