package projector

import (
	"cannulary/internal/dossier"
	"cannulary/internal/eventlog"
	"cannulary/internal/record"
	"cannulary/internal/view"
)

// index stores the keys by which an event is found again. It returns the topics that the
// event is the first to name and that have a resource.
func index(tx *view.Tx, e view.StoredEvent, own []record.Fact) (set, error) {
	if e.Event.GetSource() != eventlog.ServiceSource {
		if err := tx.HeardFrom(e.Event.GetFacility(), e.Logged, e.Event.GetOccurredAt().AsTime()); err != nil {
			return nil, err
		}
	}
	fresh := set{}
	for i := range own {
		if err := indexFact(tx, &own[i], fresh); err != nil {
			return nil, err
		}
	}
	return fresh, nil
}

func indexFact(tx *view.Tx, f *record.Fact, fresh set) error {
	for _, target := range []string{f.Target, f.TargetSession} {
		if target == "" {
			continue
		}
		if err := tx.Amend(target, f.Seq); err != nil {
			return err
		}
	}
	for _, t := range dossier.Topics(f) {
		known, err := tx.HasTopic(t.Name)
		if err != nil {
			return err
		}
		if known && !t.Describes {
			continue
		}
		if !known && rendered(t.Name) {
			fresh.add(t.Name)
		}
		if err := tx.Topic(t.Name, f.Seq); err != nil {
			return err
		}
	}
	return nil
}

// rendered reports whether what a topic describes is rendered when the topic is new. A facility is
// rendered with its registration.
func rendered(topic string) bool {
	switch class, _, _ := dossier.SplitTopic(topic); class {
	case dossier.PatientTopic, dossier.TrackTopic, dossier.AccessTopic, dossier.StaffTopic:
		return true
	}
	return false
}
