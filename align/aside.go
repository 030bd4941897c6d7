package align

import "sync"

// aside does pieces of work in their order, beside whoever gives them to it. It holds
// no goroutine while there is none.
type aside struct {
	mu    sync.Mutex
	ended sync.Cond
	left  []func()
	busy  bool
}

// asideMost is how many pieces of work may wait.
const asideMost = 16

func newAside() *aside {
	a := &aside{}
	a.ended.L = &a.mu
	return a
}

// do lets work be done, as soon as there is room for it.
func (a *aside) do(work func()) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for len(a.left) >= asideMost {
		a.ended.Wait()
	}
	a.left = append(a.left, work)
	if !a.busy {
		a.busy = true
		go a.run()
	}
}

func (a *aside) run() {
	a.mu.Lock()
	defer a.mu.Unlock()
	for len(a.left) > 0 {
		work := a.left[0]
		a.left = a.left[:copy(a.left, a.left[1:])]
		a.mu.Unlock()
		work()
		a.mu.Lock()
		a.ended.Broadcast()
	}
	a.busy = false
	a.ended.Broadcast()
}

// wait returns when all is done.
func (a *aside) wait() {
	a.mu.Lock()
	defer a.mu.Unlock()
	for a.busy {
		a.ended.Wait()
	}
}

// idle reports whether all is done.
func (a *aside) idle() bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	return !a.busy
}
