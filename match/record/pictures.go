package record

import (
	"context"
	"runtime"
)

// pictures draws the pictures ahead of the writing, several at a time, and hands
// them out in order. What is drawn and not yet written stays a few dozen.
type pictures struct {
	ctx    context.Context
	cancel context.CancelFunc
	queue  chan chan drawn
}

type drawn struct {
	pic Picture
	err error
}

func newPictures(ctx context.Context, in *Input, order []int) *pictures {
	p := &pictures{}
	p.ctx, p.cancel = context.WithCancel(ctx)
	if in.Thumbnail == nil {
		return p
	}
	workers := min(runtime.GOMAXPROCS(0), max(1, len(order)))
	p.queue = make(chan chan drawn, 4*workers)
	type job struct {
		name string
		out  chan drawn
	}
	todo := make(chan job)
	go func() {
		defer close(todo)
		defer close(p.queue)
		for _, i := range order {
			j := job{in.Result.Photos[i].Name, make(chan drawn, 1)}
			select {
			case p.queue <- j.out:
			case <-p.ctx.Done():
				return
			}
			select {
			case todo <- j:
			case <-p.ctx.Done():
				return
			}
		}
	}()
	for range workers {
		go func() {
			for j := range todo {
				var d drawn
				d.pic, d.err = in.Thumbnail(p.ctx, j.name)
				j.out <- d
			}
		}()
	}
	return p
}

// next is the picture of the next photo in order. The second error ends the
// record; the first stands in the picture's place.
func (p *pictures) next() (Picture, error, error) {
	if err := p.ctx.Err(); err != nil {
		return Picture{}, nil, err
	}
	if p.queue == nil {
		return Picture{}, nil, nil
	}
	select {
	case out, ok := <-p.queue:
		if !ok {
			return Picture{}, nil, context.Cause(p.ctx)
		}
		select {
		case d := <-out:
			if err := p.ctx.Err(); err != nil {
				return Picture{}, nil, err
			}
			return d.pic, d.err, nil
		case <-p.ctx.Done():
		}
	case <-p.ctx.Done():
	}
	return Picture{}, nil, p.ctx.Err()
}

func (p *pictures) stop() { p.cancel() }
