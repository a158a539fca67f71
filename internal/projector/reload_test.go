package projector

import (
	"context"
	"errors"
	"testing"

	"cannulary/internal/view"
)

// An event that cannot be rendered is set aside and the batch projected again, which needs the
// state that the view holds. Where that cannot be read, the projector must stop.
func TestAnEventIsNotSetAsideWhereTheStateCannotBeReadAgain(t *testing.T) {
	ctx := context.Background()
	store, err := view.Open(ctx, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	p := &Projector{cfg: Config{Store: store}}
	unclear := func(err error) bool {
		var u *unclearError
		return errors.As(err, &u)
	}
	cause := &unclearError{err: errors.New("no such zone (invented)"), seq: 7}
	begin := func() *view.Tx {
		tx, err := store.Begin(ctx)
		if err != nil {
			t.Fatal(err)
		}
		return tx
	}
	if err := p.reload(ctx, begin(), cause); !unclear(err) {
		t.Errorf("with a state that can be read the event is not set aside: %v", err)
	}
	tx := begin()
	ended, cancel := context.WithCancel(ctx)
	cancel()
	if err := p.reload(ended, tx, cause); err == nil || unclear(err) || !errors.Is(err, context.Canceled) {
		t.Errorf("with a state that cannot be read: %v", err)
	}
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
}
