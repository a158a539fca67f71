package dossier

import (
	"context"
	"errors"
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/keyring"
	"cannulary/internal/record"
	"cannulary/internal/view"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Opener opens sealed values. keyring.Ring is one.
type Opener interface {
	// Unseal returns keyring.ErrNoKey when the patient's key was destroyed, keyring.ErrDamaged when it is
	// damaged.
	Unseal(ctx context.Context, patientKey string, sealed []byte) ([]byte, error)
}

// Identities resolves who was merged into whom, as far as the log held it at knownAt
// (zero: all).
func Identities(l view.Loader, knownAt time.Time) (*record.Identities, error) {
	events, err := l.Topic(MergesTopic)
	if err != nil {
		return nil, err
	}
	// A void of a merge is posted for the survivor. Who that is cannot depend on the merge that
	// it reverses, so any patient's void of a merge counts here.
	facts, err := view.Closure(l, events, func(_, _ *record.Fact) bool { return true })
	if err != nil {
		return nil, err
	}
	return record.Resolve(record.Effective(record.Known(facts, knownAt))), nil
}

// Identifiers opens the identifiers of a patient: the one that messages are posted under,
// which any of all carries, then those of the identity that stands by items. A destroyed key
// leaves none.
func Identifiers(ctx context.Context, opener Opener, key string, all []record.Fact, items []record.Item) (
	[]*cannularyv1.PatientIdentifier, error) {
	var out []*cannularyv1.PatientIdentifier
	for i := range all {
		sealed := sealedOf(&all[i], key)
		if len(sealed) == 0 {
			continue
		}
		id := &cannularyv1.PatientIdentifier{}
		ok, err := open(ctx, opener, key, sealed, id)
		if err != nil {
			return nil, err
		}
		if ok {
			out = append(out, id)
		}
		break
	}
	identity, err := Identity(ctx, opener, key, items)
	if err != nil {
		return nil, err
	}
	for _, id := range identity.GetIdentifiers() {
		if len(out) == 0 || !proto.Equal(id, out[0]) {
			out = append(out, id)
		}
	}
	return out, nil
}

// sealedOf is the identifier of a patient key that a fact carries, sealed; empty where it carries none.
func sealedOf(f *record.Fact, key string) []byte {
	switch key {
	case f.PatientKey:
		return f.PatientSealed
	case f.MergedKey:
		return f.RetiredSealed
	}
	return nil
}

// Identity opens the identity that stands for a patient key: the latest one stated. It is
// nil where none was stated, it was taken back, or the patient's key was destroyed.
func Identity(ctx context.Context, opener Opener, key string, items []record.Item) (*cannularyv1.IdentityStated, error) {
	for i := len(items) - 1; i >= 0; i-- {
		s, ok := items[i].Body.(*logv1.IdentitySealed)
		if !ok || items[i].Void || items[i].PatientKey != key {
			continue
		}
		id := &cannularyv1.IdentityStated{}
		ok, err := open(ctx, opener, key, s.GetSealed(), id)
		if err != nil || !ok {
			return nil, err
		}
		return id, nil
	}
	return nil, nil
}

// open unseals into m; ok is false where the patient's key was destroyed, or is damaged: the clinical
// record goes on without a name. Its error is keyring.ErrUnreadable where the sealed value itself is damaged.
func open(ctx context.Context, opener Opener, key string, sealed []byte, m proto.Message) (ok bool, err error) {
	plain, err := opener.Unseal(ctx, key, sealed)
	switch {
	case errors.Is(err, keyring.ErrNoKey), errors.Is(err, keyring.ErrDamaged):
		return false, nil
	case errors.Is(err, keyring.ErrUnreadable):
		return false, fmt.Errorf("identity of patient %s: %w", key, err)
	case err != nil:
		return false, fmt.Errorf("open the identity of patient %s: %w", key, err)
	}
	if err := proto.Unmarshal(plain, m); err != nil {
		return false, fmt.Errorf("identity of patient %s: %w (%w)", key, keyring.ErrUnreadable, err)
	}
	return true, nil
}
