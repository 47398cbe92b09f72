package memstore_test

import (
	"testing"

	"holdfast/collector/store/memstore"
	"holdfast/collector/store/storetest"
)

func TestSuite(t *testing.T) {
	storetest.Run(t, storetest.Options{
		Open:    func(*testing.T, string) storetest.Store { return memstore.New() },
		Forgets: true,
	})
}
