package demo

import (
	"context"
	"fmt"

	productsv1 "velamen/gen/velamen/products/v1"
	typev1 "velamen/gen/velamen/type/v1"
)

// fillStore enters the containers of the chemical store. It comes before the
// outbreaks, whose applications take from them.
func (s *seeder) fillStore(ctx context.Context) error {
	for _, c := range s.nursery.containers {
		if err := s.addContainer(ctx, c); err != nil {
			return fmt.Errorf("%s of %s: %w", c.id, c.product, err)
		}
	}
	s.say("  %d containers in the chemical store", len(s.nursery.containers))
	return nil
}

func (s *seeder) addContainer(ctx context.Context, c container) error {
	message, err := s.container(c)
	if err != nil {
		return err
	}
	ctx = s.as(ctx, s.manager().ID)
	held, err := s.products.CreateContainer(ctx, &productsv1.CreateContainerRequest{
		Parent: s.name("products", c.product), ContainerId: c.id, Container: message,
		RequestId: requestID("products", c.product, "containers", c.id),
	})
	if err != nil || c.counted == "" {
		return err
	}
	found, err := readQuantity(c.counted)
	if err != nil {
		return err
	}
	_, err = s.products.CountContainer(ctx, &productsv1.CountContainerRequest{
		Name: held.GetName(), Counted: found, Note: c.note,
		RequestId: requestID("products", c.product, "containers", c.id, "count"),
	})
	return err
}

// container returns a container of the invented data as the contract carries it.
func (c calendar) container(held container) (*productsv1.Container, error) {
	size, err := readQuantity(held.size)
	if err != nil {
		return nil, err
	}
	message := &productsv1.Container{
		Batch: held.batch, Size: size, Place: held.place,
		ReceiveDate: &typev1.Date{Value: c.date(-held.received)}, ExpireDate: &typev1.Date{Value: c.date(held.expires)},
	}
	if held.opened != nil {
		message.OpenDate = &typev1.Date{Value: c.date(-*held.opened)}
	}
	return message, nil
}
