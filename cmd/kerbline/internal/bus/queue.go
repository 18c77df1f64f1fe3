package bus

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// The work queue: who has work puts tasks into a stream, and any number of workers
// take them, each task by one at a time. A worker that dies while it does one loses it
// to another: a task is over only when its result has been taken.
const (
	queueName   = "kerbline_work"
	taskSubject = "kerbline.work.task."
	doneSubject = "kerbline.work.done"

	// ackWait is how long a task may be with a worker that says nothing; one that lives
	// says so three times as often.
	ackWait = 6 * time.Second
	// doneWait is how long a worker waits for its result to be taken.
	doneWait = 10 * time.Second
	pollWait = 200 * time.Millisecond
)

// keyHeader and failHeader stand in front of a result.
const (
	keyHeader  = "Task"
	failHeader = "Failed"
)

// Task is a piece of work. Kind says who can do it: letters and digits.
type Task struct {
	Kind string
	Key  string // names it among all tasks
	Data []byte
}

// errBusy is the error of a bus that already has work.
var errBusy = errors.New("bus: another sweep is being worked on there, want one at a time")

// Offer puts tasks into the queue and calls done for each result, one at a time, in no
// particular order and once for each key. It returns when every task is done, with
// the first error of done or of a worker, or with the context's.
func Offer(ctx context.Context, nc *nats.Conn, tasks []Task, done func(key string, result []byte) error) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	js, err := jetstream.New(nc)
	if err != nil {
		return fmt.Errorf("bus: %w", err)
	}
	results := make(chan *nats.Msg, 256)
	sub, err := nc.ChanSubscribe(doneSubject, results)
	if err != nil {
		return fmt.Errorf("bus: %w", err)
	}
	defer sub.Unsubscribe()
	// A description of its own, or a second one would be taken for the first.
	if _, err = js.CreateStream(ctx, jetstream.StreamConfig{Name: queueName, Description: rand.Text(), Subjects: []string{taskSubject + ">"},
		Retention: jetstream.WorkQueuePolicy, Storage: jetstream.MemoryStorage}); err != nil {
		if errors.Is(err, jetstream.ErrStreamNameAlreadyInUse) {
			return errBusy
		}
		return fmt.Errorf("bus: no work queue: %w (the server needs JetStream)", err)
	}
	defer func() {
		clean, stop := context.WithTimeout(context.Background(), dialLimit)
		defer stop()
		_ = js.DeleteStream(clean, queueName)
	}()
	left := make(map[string]bool, len(tasks))
	for _, t := range tasks {
		left[t.Key] = true
	}
	go func() { // while results already come
		for _, t := range tasks {
			m := nats.NewMsg(taskSubject + t.Kind)
			m.Header.Set(keyHeader, t.Key)
			m.Data = t.Data
			if _, err := js.PublishMsg(ctx, m); err != nil {
				cancel(fmt.Errorf("bus: a task could not be put into the queue: %w", err))
				return
			}
		}
	}()
	for len(left) > 0 {
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case m := <-results:
			key := m.Header.Get(keyHeader)
			why := m.Header.Get(failHeader)
			if left[key] && why == "" { // else it is redelivered, and its result is here already
				if err := done(key, m.Data); err != nil {
					return err
				}
				delete(left, key)
			}
			_ = m.Respond(nil)
			if why != "" {
				return errors.New(why)
			}
		}
	}
	return nil
}

// Work takes tasks of some kinds and does as many at once as it may use cores, until ctx
// ends; it waits for a queue that is not there yet, or no more. While they are done one
// more is fetched, and results go back, so that no core waits for the network. do returns
// the result of a task; its error ends the sweep of who offered it.
func Work(ctx context.Context, nc *nats.Conn, kinds []string, cores int, do func(ctx context.Context, data []byte) ([]byte, error)) error {
	free := make(chan struct{}, cores)
	var wg sync.WaitGroup
	errs := make([]error, cores+1)
	for i := range errs {
		wg.Go(func() {
			errs[i] = work(ctx, nc, kinds, func(ctx context.Context, data []byte) ([]byte, error) {
				select {
				case free <- struct{}{}:
					defer func() { <-free }()
					return do(ctx, data)
				case <-ctx.Done():
					return nil, ctx.Err()
				}
			})
		})
	}
	wg.Wait()
	return errors.Join(errs...)
}

// work takes tasks one at a time.
func work(ctx context.Context, nc *nats.Conn, kinds []string, do func(ctx context.Context, data []byte) ([]byte, error)) error {
	js, err := jetstream.New(nc)
	if err != nil {
		return fmt.Errorf("bus: %w", err)
	}
	for ctx.Err() == nil {
		var list []jetstream.Consumer
		for _, kind := range kinds { // one for all workers of a kind
			c, err := js.CreateOrUpdateConsumer(ctx, queueName, jetstream.ConsumerConfig{Durable: kind, FilterSubject: taskSubject + kind,
				AckPolicy: jetstream.AckExplicitPolicy, AckWait: ackWait, MaxAckPending: 1024})
			if err != nil { // no queue, or no server
				list = nil
				break
			}
			list = append(list, c)
		}
		for len(list) > 0 && ctx.Err() == nil {
			any, err := round(ctx, nc, list, do)
			if err != nil {
				break
			}
			if !any && !pause(ctx) {
				break
			}
			if _, err := list[0].Info(ctx); !any && err != nil {
				break
			}
		}
		pause(ctx)
	}
	return nil
}

// pause waits a little and reports whether to go on.
func pause(ctx context.Context) bool {
	select {
	case <-ctx.Done():
		return false
	case <-time.After(pollWait):
		return true
	}
}

// round does at most one task of each kind and reports whether there was any.
func round(ctx context.Context, nc *nats.Conn, list []jetstream.Consumer, do func(ctx context.Context, data []byte) ([]byte, error)) (any bool, err error) {
	for _, c := range list {
		batch, err := c.FetchNoWait(1)
		if err != nil {
			return any, err
		}
		for m := range batch.Messages() {
			any = true
			if err := one(ctx, nc, m, do); err != nil {
				return any, err
			}
		}
		if err := batch.Error(); err != nil {
			return any, err
		}
	}
	return any, nil
}

// one does a task: others keep away from it while this worker says that it lives.
func one(ctx context.Context, nc *nats.Conn, m jetstream.Msg, do func(ctx context.Context, data []byte) ([]byte, error)) error {
	living, stop := context.WithCancel(ctx)
	defer stop()
	go func() {
		for {
			select {
			case <-living.Done():
				return
			case <-time.After(ackWait / 3):
				_ = m.InProgress()
			}
		}
	}()
	result, err := do(ctx, m.Data())
	if ctx.Err() != nil { // it goes to another worker at once
		return m.Nak()
	}
	answer := nats.NewMsg(doneSubject)
	answer.Header.Set(keyHeader, m.Headers().Get(keyHeader))
	answer.Data = result
	if err != nil {
		answer.Header.Set(failHeader, err.Error())
	}
	took, cancel := context.WithTimeout(ctx, doneWait)
	defer cancel()
	if _, err := nc.RequestMsgWithContext(took, answer); err != nil {
		return err // not taken: it comes again
	}
	return m.Ack()
}
