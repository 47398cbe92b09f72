package alerting

import "context"

// A Notifier tells somebody of an event. Notify returns nil once the message is
// handed over for good; any error is retried later with the same event, so a
// receiver may see it twice and tells them apart by the alarm's ID and the event's
// kind and time. Notify obeys ctx.
type Notifier interface {
	Notify(ctx context.Context, e Event) error
	String() string // the way's name in the config
}

// A Trier says what came back for an event, where a Notifier can.
type Trier interface {
	Try(ctx context.Context, e Event) (answer string, err error)
}

// A Silent notifier reaches nobody who sleeps: quiet hours do not hold it up.
type Silent interface{ WakesNobody() }
