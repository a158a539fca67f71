package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"cannulary/internal/app"
	"cannulary/internal/simulate"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

const (
	perSecond = 200 // events, while one event at a time is followed
	syncs     = 250 // of the disk, before and after
	searchers = 20  // wide searches at a time
	// newMessages of the patient with the long history come between the cards.
	newMessages = 60
)

// live measures on a running instance that holds the year what a person waits for: all of a
// patient, an event until it can be read, and a card, alone and beside wide searches.
func (b *bench) live(ctx context.Context) error {
	messages, last, err := b.feed()
	if err != nil {
		return err
	}
	a, err := app.New(ctx, b.both(b.data))
	if err != nil {
		return err
	}
	defer a.Stop()
	a.Start()
	if err := untilReady(ctx, a); err != nil {
		return err
	}
	client := &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: searchers + 1}}
	defer client.CloseIdleConnections()
	root := "http://" + a.HTTPAddr()
	if err := b.everything(ctx, client, root+"/fhir"); err != nil {
		return err
	}
	if err := b.readable(ctx, client, a, last); err != nil {
		return err
	}
	if b.years == 0 {
		return b.cards(ctx, client, a, nil)
	}
	long, err := treated(b.scenario, b.years, envelope(messages[0]).GetFacility())
	if err != nil {
		return err
	}
	before := len(long) - newMessages
	b.say("add a patient with %d years of history: %d messages", b.years, len(long))
	if err := queryable(ctx, a, long[:before]); err != nil {
		return err
	}
	return b.cards(ctx, client, a, long[before:])
}

// both is an instance with both roles in the folder.
func (b *bench) both(dir string) app.Config {
	return app.Config{Dir: dir, Ingest: true, View: true, GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", Now: time.Now, Slog: b.slog}
}

// queryable posts messages and returns once all are in the view.
func queryable(ctx context.Context, a *app.App, messages []*cannularyv1.FeedRequest) error {
	if _, err := post(ctx, a.GRPCAddr(), messages, 0, nil); err != nil {
		return err
	}
	st, err := a.Log().State(ctx)
	if err != nil {
		return err
	}
	return a.Projector().WaitFor(ctx, st.LastSeq)
}

// treated are the messages of another unit than home, where one patient is treated for some years.
func treated(s simulate.Scenario, years int, home string) (messages []*cannularyv1.FeedRequest, err error) {
	s.Units, s.Patients, s.Months = 2, 1, 12*years
	err = simulate.Generate(s, func(m *cannularyv1.FeedRequest) error {
		if envelope(m).GetFacility() != home {
			messages = append(messages, m)
		}
		return nil
	})
	return messages, err
}

func envelope(m *cannularyv1.FeedRequest) *cannularyv1.Envelope {
	switch {
	case m.GetRoster() != nil:
		return m.GetRoster().GetEnvelope()
	case m.GetCannulation() != nil:
		return m.GetCannulation().GetEnvelope()
	case m.GetAssessment() != nil:
		return m.GetAssessment().GetEnvelope()
	}
	return m.GetSurveillance().GetEnvelope()
}

// everything reads all of the fullest patient in pages of 50. The reference reads as many pages of
// a search by patient, at what one of them takes.
func (b *bench) everything(ctx context.Context, client *http.Client, base string) error {
	patients, err := patientsOf(ctx, client, base)
	if err != nil {
		return err
	}
	patient := patients[0]
	b.say("read all of one patient in pages of %d", pageSize)
	of, err := walk(ctx, client, fmt.Sprintf("%s/Patient/%s/$everything?_count=%d", base, patient, pageSize))
	if err != nil {
		return err
	}
	search, err := walk(ctx, client, fmt.Sprintf("%s/Observation?patient=%s&_count=%d", base, patient, pageSize))
	if err != nil {
		return err
	}
	b.add(figure{Name: fmt.Sprintf("$everything of %d months, pages of 50", b.scenario.Months), Value: of.seconds, Unit: "s",
		Reference: search.seconds / float64(search.pages) * float64(of.pages), goal: valueBelow(5),
		against: fmt.Sprintf("as many pages of a search by patient: %d, with %d resources", of.pages, of.entries)})
	return nil
}

// bundle is what is read of a page.
type bundle struct {
	Total int
	Link  []struct{ Relation, URL string }
	Entry []struct{ Resource struct{ ID string } }
}

// answer is a whole answer and the milliseconds that it took.
type answer struct {
	status int
	header http.Header
	body   []byte
	ms     float64
}

func ask(ctx context.Context, client *http.Client, method, url string) (answer, error) {
	req, err := http.NewRequestWithContext(ctx, method, url, nil)
	if err != nil {
		return answer{}, err
	}
	began := time.Now()
	resp, err := client.Do(req)
	if err != nil {
		return answer{}, err
	}
	defer func() { _ = resp.Body.Close() }()
	body, err := io.ReadAll(resp.Body)
	return answer{resp.StatusCode, resp.Header, body, float64(time.Since(began).Microseconds()) / 1000}, err
}

// ok asks for what must be there.
func ok(ctx context.Context, client *http.Client, url string) (answer, error) {
	a, err := ask(ctx, client, http.MethodGet, url)
	if err == nil && a.status != http.StatusOK {
		err = fmt.Errorf("%s answered %d: %.300s", url, a.status, a.body)
	}
	return a, err
}

func page(ctx context.Context, client *http.Client, url string) (p bundle, ms float64, err error) {
	a, err := ok(ctx, client, url)
	if err != nil {
		return p, 0, err
	}
	return p, a.ms, json.Unmarshal(a.body, &p)
}

// patientsOf lists the active Patients with more than a page of Observations, the one with the
// most first.
func patientsOf(ctx context.Context, client *http.Client, base string) (ids []string, err error) {
	all, _, err := page(ctx, client, base+"/Patient?active=true&_count=1000")
	if err != nil {
		return nil, err
	}
	count := map[string]int{}
	for _, e := range all.Entry {
		p, _, err := page(ctx, client, base+"/Observation?_summary=count&patient="+e.Resource.ID)
		if err != nil {
			return nil, err
		}
		if p.Total > pageSize {
			ids, count[e.Resource.ID] = append(ids, e.Resource.ID), p.Total
		}
	}
	if len(ids) == 0 {
		return nil, errors.New("no patient has a page of observations; take more months")
	}
	slices.SortStableFunc(ids, func(a, b string) int { return count[b] - count[a] })
	return ids, nil
}

// walked is what all pages were together; what the client does with them is not in the seconds.
type walked struct {
	seconds        float64
	pages, entries int
}

func walk(ctx context.Context, client *http.Client, url string) (w walked, err error) {
	for url != "" {
		p, ms, err := page(ctx, client, url)
		if err != nil {
			return w, err
		}
		w.seconds, w.pages, w.entries, url = w.seconds+ms/1000, w.pages+1, w.entries+len(p.Entry), ""
		for _, l := range p.Link {
			if l.Relation == "next" {
				url = l.URL
			}
		}
	}
	return w, nil
}

// readable posts messages at a steady rate and follows each event from its acknowledgement until
// FHIR gives its Provenance, which the event brings with its resources. The events are asked for
// in the log's order, so that one waits for the one before it. The reference is a write that is
// synced to the same disk, half of them before and half after.
func (b *bench) readable(ctx context.Context, client *http.Client, a *app.App, messages []*cannularyv1.FeedRequest) error {
	b.say("post %d messages at %d a second and read each", len(messages), perSecond)
	disk, err := b.synced()
	if err != nil {
		return err
	}
	type acknowledged struct {
		id, token string
		at        time.Time
	}
	queue, posted := make(chan acknowledged, len(messages)), make(chan error, 1)
	go func() {
		_, err := post(ctx, a.GRPCAddr(), messages, time.Second/perSecond, func(r *cannularyv1.FeedResponse) {
			queue <- acknowledged{r.GetEventId(), r.GetToken(), time.Now()}
		})
		close(queue)
		posted <- err
	}()
	var waited []float64
	for x := range queue {
		_, number, _ := strings.Cut(x.token, ":")
		seq, err := strconv.ParseUint(number, 10, 64)
		if err != nil {
			return fmt.Errorf("the token %q has no sequence: %w", x.token, err)
		}
		there, err := untilRead(ctx, client, a, x.id, seq)
		if err != nil {
			return err
		}
		if there {
			waited = append(waited, float64(time.Since(x.at).Microseconds())/1000)
		}
	}
	if err := <-posted; err != nil {
		return err
	}
	after, err := b.synced()
	if err != nil {
		return err
	}
	b.add(figure{Name: fmt.Sprintf("acknowledged to readable, %d/s, 99th percentile", perSecond), Value: quantile(waited, 0.99), Unit: "ms",
		Reference: quantile(append(disk, after...), 0.99), goal: valueBelow(20),
		against: fmt.Sprintf("99th percentile of a write of 1 kB and its sync to the same disk; %d events followed, half within %.1f ms",
			len(waited), quantile(waited, 0.5))})
	return nil
}

// untilRead waits until the view has the event and reads its Provenance; false where no resource came of it. It does not
// ask again and again: that would take a core from what is measured.
func untilRead(ctx context.Context, client *http.Client, a *app.App, event string, seq uint64) (bool, error) {
	if err := a.Projector().WaitFor(ctx, seq); err != nil {
		return false, err
	}
	r, err := ask(ctx, client, http.MethodGet, "http://"+a.HTTPAddr()+"/fhir/Provenance/"+event)
	if err == nil && r.status != http.StatusOK && r.status != http.StatusNotFound {
		err = fmt.Errorf("the Provenance of event %d answered %d: %.300s", seq, r.status, r.body)
	}
	return r.status == http.StatusOK, err
}

// synced lists the milliseconds that writes of 1 kB and their syncs take.
func (b *bench) synced() (ms []float64, err error) {
	file, err := os.Create(filepath.Join(b.dir, "synced"))
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, file.Close(), os.Remove(file.Name())) }()
	data := make([]byte, 1024)
	for range syncs {
		began := time.Now()
		if _, err := file.Write(data); err != nil {
			return nil, err
		}
		if err := file.Sync(); err != nil {
			return nil, err
		}
		ms = append(ms, float64(time.Since(began).Microseconds())/1000)
	}
	return ms, nil
}

// cards asks for the card of the patient with the longest record: the first one, again and again, while wide searches
// run all the time, and after each of the patient's next messages.
func (b *bench) cards(ctx context.Context, client *http.Client, a *app.App, next []*cannularyv1.FeedRequest) error {
	root, months := "http://"+a.HTTPAddr(), max(b.scenario.Months, 12*b.years)
	patients, err := patientsOf(ctx, client, root+"/fhir")
	if err != nil {
		return err
	}
	patient := patients[0]
	url := root + "/card?patient=" + patient
	b.say("ask for a card, alone and beside %d wide searches", searchers)
	first, err := ok(ctx, client, url)
	if err != nil {
		return err
	}
	if err := b.today(ctx, client, root, first.body); err != nil {
		return err
	}
	reading, err := sample(ctx, client, root+"/fhir/Patient/"+patient)
	if err != nil {
		return err
	}
	alone, err := sample(ctx, client, url)
	if err != nil {
		return err
	}
	w := search(ctx, client, root+"/fhir")
	err = w.untilOne(ctx)
	var beside []float64
	if err == nil {
		beside, err = sample(ctx, client, url)
	}
	if err := errors.Join(err, w.stop()); err != nil {
		return err
	}
	name := fmt.Sprintf("card after %d months", months)
	b.add(figure{Name: name + ", the first since the start", Value: first.ms, Unit: "ms", Reference: quantile(alone, 0.5),
		goal: valueBelow(500), against: "the same card again, median"})
	b.add(figure{Name: name + ", again, 99th percentile", Value: quantile(alone, 0.99), Unit: "ms",
		Reference: quantile(reading, 0.99), goal: valueBelow(10),
		against: fmt.Sprintf("a read of the same Patient by FHIR; half of %d cards within %.1f ms", len(alone), quantile(alone, 0.5))})
	b.add(figure{Name: fmt.Sprintf("the same beside %d wide searches", searchers), Value: quantile(beside, 0.99), Unit: "ms",
		Reference: quantile(alone, 0.99), goal: valueBelow(100),
		against: fmt.Sprintf("the same card alone; half of %d cards within %.1f ms, %d searches answered and %d put off meanwhile",
			len(beside), quantile(beside, 0.5), w.answered.Load(), w.putOff.Load())})
	var after []float64
	for _, m := range next {
		if err := queryable(ctx, a, []*cannularyv1.FeedRequest{m}); err != nil {
			return err
		}
		c, err := ok(ctx, client, url)
		if err != nil {
			return err
		}
		after = append(after, c.ms)
	}
	if len(after) > 0 {
		b.add(figure{Name: name + ", after each new message, 99th percentile", Value: quantile(after, 0.99), Unit: "ms",
			Reference: quantile(alone, 0.99), goal: valueBelow(100),
			against: fmt.Sprintf("the same card again; half of %d cards within %.1f ms", len(after), quantile(after, 0.5))})
	}
	return nil
}

// today asks for the list of the unit of the patient whose card that is, for the first time since the start, when no name of
// it was opened yet, and again and again.
func (b *bench) today(ctx context.Context, client *http.Client, root string, cardOf []byte) error {
	var card struct{ Facility string }
	if err := json.Unmarshal(cardOf, &card); err != nil {
		return err
	}
	url := root + "/?list=all&facility=" + card.Facility
	first, err := ok(ctx, client, url)
	if err != nil {
		return err
	}
	again, err := sample(ctx, client, url)
	if err != nil {
		return err
	}
	patients := strings.Count(string(first.body), "card?patient=")
	b.add(figure{Name: fmt.Sprintf("Today of %d patients, first render", patients), Value: first.ms, Unit: "ms",
		Reference: quantile(again, 0.5), goal: valueBelow(100),
		against: fmt.Sprintf("the same again, when the names are open, median; %d bytes", len(first.body))})
	return nil
}

// sample asks for the same again and again: 300 times or for 20 seconds, but 3 times at least.
func sample(ctx context.Context, client *http.Client, url string) (ms []float64, err error) {
	for began := time.Now(); len(ms) < 3 || len(ms) < 300 && time.Since(began) < 20*time.Second; {
		a, err := ok(ctx, client, url)
		if err != nil {
			return nil, err
		}
		ms = append(ms, a.ms)
	}
	return ms, nil
}

// wide are searches that go on until they are stopped.
type wide struct {
	cancel           context.CancelFunc
	work             sync.WaitGroup
	failed           chan error
	answered, putOff atomic.Int64
}

// search keeps 20 searches under way that walk through all resources of a type. One that the
// service puts off comes again after the time that it is told.
func search(ctx context.Context, client *http.Client, base string) *wide {
	ctx, cancel := context.WithCancel(ctx)
	w := &wide{cancel: cancel, failed: make(chan error, searchers)}
	urls := []string{
		base + "/Observation?_sort=-date&_total=accurate&_count=50",
		base + "/Procedure?_sort=date&_total=accurate&_count=50",
		base + "/Provenance?_total=accurate&_count=50",
		base + "/Observation?_total=accurate&_count=200&code:missing=false",
	}
	for i := range searchers {
		w.work.Go(func() {
			for k := i; ctx.Err() == nil; k++ {
				if err := w.one(ctx, client, urls[k%len(urls)]); err != nil && ctx.Err() == nil {
					w.failed <- err
					return
				}
			}
		})
	}
	return w
}

func (w *wide) one(ctx context.Context, client *http.Client, url string) error {
	a, err := ask(ctx, client, http.MethodGet, url)
	switch {
	case err != nil:
		return err
	case a.status == http.StatusOK:
		w.answered.Add(1)
	case a.status == http.StatusServiceUnavailable:
		w.putOff.Add(1)
		seconds, err := strconv.Atoi(a.header.Get("Retry-After"))
		if err != nil {
			return fmt.Errorf("%s was put off without a time in seconds: %w", url, err)
		}
		select {
		case <-ctx.Done():
		case <-time.After(time.Duration(seconds) * time.Second):
		}
	default:
		return fmt.Errorf("%s answered %d: %.300s", url, a.status, a.body)
	}
	return nil
}

// untilOne waits until the first search was answered: all others are then under way.
func (w *wide) untilOne(ctx context.Context) error {
	for w.answered.Load() == 0 {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case err := <-w.failed:
			return err
		case <-time.After(time.Millisecond):
		}
	}
	return nil
}

// stop ends the searches and tells the first that failed.
func (w *wide) stop() error {
	w.cancel()
	w.work.Wait()
	select {
	case err := <-w.failed:
		return err
	default:
		return nil
	}
}
