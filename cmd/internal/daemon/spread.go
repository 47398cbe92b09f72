package daemon

import (
	"runtime"
	"sync"
	"sync/atomic"
)

// spread does something for 0 to n-1 on all processors, each taking the next one when
// it is done, and returns when all is done. A panic comes back to the caller.
func spread(n int, do func(i int)) {
	var next atomic.Int64
	var fault atomic.Pointer[any]
	work := func() {
		defer func() {
			if r := recover(); r != nil {
				fault.CompareAndSwap(nil, &r)
			}
		}()
		for i := int(next.Add(1)) - 1; i < n && fault.Load() == nil; i = int(next.Add(1)) - 1 {
			do(i)
		}
	}
	var others sync.WaitGroup
	for range min(n, runtime.GOMAXPROCS(0)) - 1 {
		others.Go(work)
	}
	work()
	others.Wait()
	if r := fault.Load(); r != nil {
		panic(*r)
	}
}
