package quantity

import typev1 "velamen/gen/velamen/type/v1"

// FromContract reads a quantity of the contract; absent is the zero value.
func FromContract(message *typev1.Quantity) (Quantity, error) {
	if message == nil {
		return Quantity{}, nil
	}
	return New(message.GetAmount(), Unit(message.GetUnit()))
}

// Contract returns the quantity as the contract carries it; the zero value is
// absent.
func (q Quantity) Contract() *typev1.Quantity {
	if q.IsZero() {
		return nil
	}
	return &typev1.Quantity{Amount: q.Plain(), Unit: string(q.Unit)}
}
