package page

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
)

// kind is the name of a server-sent event.
type kind string

const (
	kindReset   kind = "reset" // what was shown before no longer holds
	kindSession kind = "session"
	kindSecond  kind = "second"  // a timeball.second/1
	kindPicture kind = "picture" // a timeball.picture/1
	kindFix     kind = "fix"     // a timeball.fix/1
	kindCue     kind = "cue"     // the tones of a second
	kindEvent   kind = "event"   // a line of the log
)

// kept is how many messages of a kind a new viewer gets; of the others the latest.
var kept = map[kind]int{kindSecond: 900, kindEvent: 200}

// mostWaiting is how many messages a viewer may be behind, half a minute of
// them. Who is further behind is dropped, comes back and resumes.
const mostWaiting = 64

// message is one server-sent event.
type message struct {
	number int
	value  any
	text   []byte
}

// hub passes messages to the viewers, and keeps what a new one must know.
type hub struct {
	run string // tells a resumed viewer of this run from one of an earlier

	mu      sync.Mutex
	number  int
	kept    map[kind][]message
	lost    int // number of the newest message that is no longer kept
	viewers map[*viewer]bool
	held    bool // viewers are told later
	ended   bool
}

// viewer is one open page.
type viewer struct {
	waiting chan []byte // closed when the viewer is dropped
}

func newHub() *hub {
	return &hub{
		run: strconv.FormatInt(time.Now().UnixNano(), 36), kept: map[kind][]message{},
		viewers: map[*viewer]bool{},
	}
}

// publish sends a message to all viewers. One that JSON cannot hold, a figure
// that is not a number, is left out: the next second brings a better one.
func (h *hub) publish(k kind, value any) {
	data, err := json.Marshal(value)
	if err != nil {
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.number++
	m := message{h.number, value, fmt.Appendf(nil, "id: %s-%d\nevent: %s\ndata: %s\n\n", h.run, h.number, k, data)}
	list := append(h.kept[k], m)
	if most := max(1, kept[k]); len(list) > most {
		if kept[k] > 0 {
			h.lost = max(h.lost, list[0].number)
		}
		list = slices.Delete(list, 0, len(list)-most)
	}
	h.kept[k] = list
	if !h.held {
		h.send(m.text)
	}
}

// send passes text to the viewers, and drops those too far behind.
func (h *hub) send(text []byte) {
	for v := range h.viewers {
		select {
		case v.waiting <- text:
		default:
			h.drop(v)
		}
	}
}

// reset forgets what was kept, and tells the viewers to, but not before release.
func (h *hub) reset() {
	h.mu.Lock()
	clear(h.kept)
	h.lost, h.held = h.number, true
	h.mu.Unlock()
	h.publish(kindReset, struct{}{})
}

// release tells the viewers all that has come since reset.
func (h *hub) release() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.held = false
	h.send(h.since(0))
}

// since is what is kept of the messages after one.
func (h *hub) since(number int) []byte {
	var all []message
	for _, list := range h.kept {
		for _, m := range list {
			if m.number > number {
				all = append(all, m)
			}
		}
	}
	slices.SortFunc(all, func(a, b message) int { return cmp.Compare(a.number, b.number) })
	var text []byte
	for _, m := range all {
		text = append(text, m.text...)
	}
	return text
}

// list returns the messages of a kind that are kept.
func (h *hub) list(k kind) []message {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.Clone(h.kept[k])
}

// mostViewers bounds what a page left open too often costs.
const mostViewers = 32

// join adds a viewer that has seen the message after. It returns what that
// viewer must be told first: what was missed, or all there is to know.
func (h *hub) join(after string) (*viewer, []byte, bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.ended || len(h.viewers) >= mostViewers {
		return nil, nil, false
	}
	var first []byte
	seen, known := h.seen(after)
	if !known {
		first = fmt.Appendf(first, "event: %s\ndata: {}\n\n", kindReset)
	}
	first = append(first, h.since(seen)...)
	v := &viewer{make(chan []byte, mostWaiting)}
	h.viewers[v] = true
	return v, first, true
}

// seen is the number in an event's id, if all that came later is still kept.
func (h *hub) seen(id string) (int, bool) {
	run, number, _ := strings.Cut(id, "-")
	n, err := strconv.Atoi(number)
	if run != h.run || err != nil || n < h.lost || n > h.number {
		return 0, false
	}
	return n, true
}

// leave takes a viewer away.
func (h *hub) leave(v *viewer) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.drop(v)
}

func (h *hub) drop(v *viewer) {
	if !h.viewers[v] {
		return
	}
	delete(h.viewers, v)
	close(v.waiting)
}

// end lets no one in any more and, for a while, lets the viewers take what waits.
func (h *hub) end(wait time.Duration) {
	h.mu.Lock()
	h.ended = true
	for v := range h.viewers {
		h.drop(v) // what waits in the channel is still read
	}
	h.mu.Unlock()
	time.Sleep(wait)
}
