package record

import (
	"context"
	"runtime"
)

// pictures draws the pictures ahead of the writing, several at a time, and hands
// them out in order.
type pictures struct {
	ctx     context.Context
	stop    context.CancelFunc
	in      *Input
	order   []int        // the photos that are left
	drawing []chan drawn // those before them, in order
}

type drawn struct {
	pic Picture
	err error
}

func newPictures(ctx context.Context, in *Input, order []int) *pictures {
	p := &pictures{in: in, order: order}
	p.ctx, p.stop = context.WithCancel(ctx)
	return p
}

// next is the picture of the next photo in order. The second error ends the
// record; the first stands in the picture's place.
func (p *pictures) next() (Picture, error, error) {
	if err := p.ctx.Err(); err != nil || p.in.Thumbnail == nil {
		return Picture{}, nil, err
	}
	for len(p.order) > 0 && len(p.drawing) < 2*runtime.GOMAXPROCS(0) {
		name, out := p.in.Result.Photos[p.order[0]].Name, make(chan drawn, 1)
		go func() {
			pic, err := p.in.Thumbnail(p.ctx, name)
			out <- drawn{pic, err}
		}()
		p.order, p.drawing = p.order[1:], append(p.drawing, out)
	}
	select {
	case d := <-p.drawing[0]:
		p.drawing = p.drawing[1:]
		return d.pic, d.err, p.ctx.Err()
	case <-p.ctx.Done():
		return Picture{}, nil, p.ctx.Err()
	}
}
