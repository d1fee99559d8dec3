package stock

import stockv1 "velamen/gen/velamen/stock/v1"

// balance judges the plant counts of a nursery: the first four come from the
// events, the last from the lots.
func balance(started, received, disposed, sold, onHand int64) *stockv1.PlantBalance {
	return &stockv1.PlantBalance{
		Started: started, Received: received, Disposed: disposed, Sold: sold, OnHand: onHand,
		Balanced: started+received == onHand+disposed+sold,
	}
}
