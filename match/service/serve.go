package service

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"sync"

	"golang.org/x/sync/semaphore"
)

// Serve answers the requests of r, a line each, on w, until r ends or the context does,
// and returns when all that it took up is answered. The error is one of r, of w, or of
// the context.
func (s *Service) Serve(ctx context.Context, r io.Reader, w io.Writer) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	q := &queue{s: s, ctx: ctx, turns: semaphore.NewWeighted(int64(s.opt.AtOnce)), order: make(chan chan Response, 4*s.opt.AtOnce), under: map[*context.CancelFunc]string{}}
	var sent error
	done := make(chan struct{})
	go func() {
		defer close(done)
		sent = q.send(w, stop)
	}()
	err := q.take(bufio.NewReaderSize(r, 64<<10))
	close(q.order)
	<-done
	return errors.Join(err, sent)
}

// queue is the requests that are under way, and their responses in order.
type queue struct {
	s     *Service
	ctx   context.Context
	turns *semaphore.Weighted
	order chan chan Response

	mu    sync.Mutex
	under map[*context.CancelFunc]string // with their ids
}

// take reads requests and starts them.
func (q *queue) take(r *bufio.Reader) error {
	for {
		line, err := q.line(r)
		if len(bytes.TrimSpace(line)) > 0 || errors.As(err, new(*Error)) {
			if !q.start(line, err) {
				return q.ctx.Err()
			}
		}
		if err != nil && !errors.As(err, new(*Error)) {
			if err == io.EOF {
				err = nil
			}
			return err
		}
	}
}

// line reads a line. One that is too long is passed over, with an *Error.
func (q *queue) line(r *bufio.Reader) (line []byte, err error) {
	long := false
	for {
		part, err := r.ReadSlice('\n')
		if long = long || len(line)+len(part) > q.s.opt.MaxRequest; !long {
			line = append(line, part...)
		}
		switch {
		case err == bufio.ErrBufferFull:
		case long && (err == nil || err == io.EOF):
			return nil, refusef(TooLarge, "the request is longer than %d bytes", q.s.opt.MaxRequest)
		default:
			return line, err
		}
	}
}

// start has a request answered; it reports whether there will be an answer.
func (q *queue) start(line []byte, err error) bool {
	out := make(chan Response, 1)
	select {
	case q.order <- out:
	case <-q.ctx.Done():
		return false
	}
	var req Request
	var refused *Error
	if !errors.As(err, &refused) {
		req, err = ParseRequest(line)
		errors.As(err, &refused)
	}
	if refused != nil {
		out <- Response{Version: Version, ID: req.ID, Error: refused}
		return true
	}
	if req.Do == "cancel" {
		found := q.cancel(string(req.Of))
		out <- Response{Version: Version, ID: req.ID, Cancel: &found}
		return true
	}
	ctx, cancel := context.WithCancel(q.ctx)
	q.mu.Lock()
	q.under[&cancel] = string(req.ID)
	q.mu.Unlock()
	go func() {
		defer cancel()
		resp := Response{Version: Version, ID: req.ID, Error: told(context.Canceled)}
		if q.turns.Acquire(ctx, 1) == nil {
			resp = q.s.Answer(ctx, req)
			q.turns.Release(1)
		}
		q.mu.Lock()
		delete(q.under, &cancel)
		q.mu.Unlock()
		out <- resp
	}()
	return true
}

// cancel cancels the requests of an id that are under way; it reports whether there are.
func (q *queue) cancel(id string) (found bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	for cancel, of := range q.under {
		if of == id {
			found = true
			(*cancel)()
		}
	}
	return found
}

// send writes the responses in order. Where that fails, nobody listens: stop is called.
func (q *queue) send(w io.Writer, stop func()) (err error) {
	for out := range q.order {
		resp := <-out
		if err != nil {
			continue
		}
		var line bytes.Buffer
		enc := json.NewEncoder(&line)
		enc.SetEscapeHTML(false)
		if err = enc.Encode(resp); err == nil {
			_, err = w.Write(line.Bytes())
		}
		if err != nil {
			stop()
		}
	}
	return err
}
