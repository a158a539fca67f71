package projector

import (
	"errors"
	"hash/maphash"
	"runtime"
	"sync"

	"cannulary/fhir"
	"cannulary/internal/record"
	"cannulary/internal/view"
)

// A batch is planned and stored event by event, in the order of the log. In between, the session
// of a plain event is rendered and its patient judged by workers, those of one patient in order.
// All else waits until nothing is in flight. What is stored is the same as if one event came after
// the other: a worker sees the facts that were there when its event was planned, and what is read
// later is read as of that event (view.Tx.LoadUpTo).

// inFlight is how many events may be planned and not yet stored: some more than one patient
// sends in a row.
const inFlight = 64

// ahead is what a worker does of one event. It uses neither the view nor what other events change.
type ahead struct {
	items    []record.Item // of the session, when the event was planned
	kept     kept          // of the patient
	follower *follower     // nil where the patient is judged in turn

	resources []fhir.Resource // of the session
	verdict   *verdict        // nil where the patient has to be judged in turn
	err       error
	done      chan struct{}

	// asked and answered let a worker read events by their ids in the event's turn.
	asked    chan []string
	answered chan answer
	stop     <-chan struct{}
}

type answer struct {
	events []view.StoredEvent
	err    error
}

var errStopped = errors.New("the batch is given up")

// ask waits for the event's turn and for what is read then.
func (a *ahead) ask(ids []string) ([]view.StoredEvent, error) {
	select {
	case a.asked <- ids:
		got := <-a.answered
		return got.events, got.err
	case <-a.stop:
		return nil, errStopped
	}
}

// work renders and judges.
func (w *writer) work() {
	a := w.ahead
	defer close(a.done)
	if a.resources, a.err = w.renderSession(a.items); a.err != nil || a.follower == nil {
		return
	}
	a.verdict, a.err = w.judgeOn(w.patientKey(), a.follower)
}

// patientKey is that of a plain event's patient.
func (w *writer) patientKey() string { return w.identities.Survivor(w.own[0].PatientKey) }

// flight are the events of a batch that are planned and not yet stored, oldest first.
type flight struct {
	waiting []*writer
	lanes   map[string]*lane // by patient
	workers []chan *writer
	running sync.WaitGroup
	stop    chan struct{}
	seed    maphash.Seed
	most    int // events in flight
}

// lane are the events of one patient in flight. follower is the one that all of them use; nil where
// one of them is judged in turn.
type lane struct {
	follower *follower
	events   int
}

func newFlight(most int) *flight {
	return &flight{most: most, lanes: map[string]*lane{}, stop: make(chan struct{}), seed: maphash.MakeSeed()}
}

// launch hands a planned event to the worker of its patient.
func (f *flight) launch(w *writer, items []record.Item, k kept) {
	if f.workers == nil {
		for range runtime.GOMAXPROCS(0) {
			c := make(chan *writer, f.most)
			f.workers = append(f.workers, c)
			f.running.Go(func() {
				for w := range c {
					w.work()
				}
			})
		}
	}
	key := w.patientKey()
	l, now := f.lanes[key], w.followers[key]
	if l == nil {
		l = &lane{follower: now}
		f.lanes[key] = l
	}
	if l.follower != now {
		l.follower = nil // an event of the patient in flight is not with this follower
	}
	l.events++
	w.ahead = &ahead{items: items, kept: k, follower: l.follower, done: make(chan struct{}), asked: make(chan []string),
		answered: make(chan answer), stop: f.stop}
	w.byID = w.ahead.ask
	f.waiting = append(f.waiting, w)
	f.workers[maphash.String(f.seed, key)%uint64(len(f.workers))] <- w
}

// land stores the oldest events until at most so many are in flight.
func (f *flight) land(most int) error {
	for len(f.waiting) > most {
		w := f.waiting[0]
		f.waiting = f.waiting[1:]
		for waits := true; waits; {
			select {
			case ids := <-w.ahead.asked:
				events, err := w.load().ByID(ids)
				w.ahead.answered <- answer{events, err}
			case <-w.ahead.done:
				waits = false
			}
		}
		w.byID = w.load().ByID
		if err := w.apply(); err != nil {
			return w.named(err)
		}
		f.landed(w.patientKey())
	}
	return nil
}

func (f *flight) landed(patient string) {
	if f.lanes[patient].events--; f.lanes[patient].events == 0 {
		delete(f.lanes, patient)
	}
}

// end waits for the workers. What is still in flight is given up.
func (f *flight) end() {
	close(f.stop)
	for _, c := range f.workers {
		close(c)
	}
	f.running.Wait()
}

// named adds the event to an error that comes from what an event says.
func (w *writer) named(err error) error {
	if u, ok := errors.AsType[*unclearError](err); ok {
		u.seq = w.entry.Seq
	}
	return err
}
