package products

import (
	"context"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/types/known/timestamppb"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/internal/rpc"
)

// Service is the ProductsService of the contract.
type Service struct {
	productsv1.UnimplementedProductsServiceServer
	db *postgres.DB
}

var _ productsv1.ProductsServiceServer = (*Service)(nil)

// New returns the service on a database.
func New(db *postgres.DB) *Service { return &Service{db: db} }

// productField is the field of a request that holds a product.
const productField = "product"

// ListActiveIngredients returns the catalog, by identifier.
func (s *Service) ListActiveIngredients(context.Context, *productsv1.ListActiveIngredientsRequest) (*productsv1.ListActiveIngredientsResponse, error) {
	response := &productsv1.ListActiveIngredientsResponse{}
	for _, active := range catalog() {
		response.ActiveIngredients = append(response.ActiveIngredients, active.contract())
	}
	return response, nil
}

// CreateProduct adds a product with its label directions.
func (s *Service) CreateProduct(ctx context.Context, request *productsv1.CreateProductRequest) (*productsv1.Product, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, _ rpc.Principal) (*productsv1.Product, error) {
		if err := lockNames(ctx, tx, ids[0]); err != nil {
			return nil, err
		}
		known, err := readNames(ctx, tx, ids[0])
		if err != nil {
			return nil, err
		}
		product, faults := readProduct(productField, request.GetProductId(), request.GetProduct(), known)
		if err := first(faults); err != nil {
			return nil, err
		}
		if err := insertProduct(ctx, tx, ids[0], product, s.db.Now()); err != nil {
			return nil, err
		}
		return s.get(ctx, tx, ids[0], product.ID)
	})
}

// GetProduct returns one product.
func (s *Service) GetProduct(ctx context.Context, request *productsv1.GetProductRequest) (*productsv1.Product, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "products")
	if err != nil {
		return nil, err
	}
	return s.get(ctx, s.db, ids[0], ids[1])
}

// ListProducts returns the products by name.
func (s *Service) ListProducts(ctx context.Context, request *productsv1.ListProductsRequest) (*productsv1.ListProductsResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	page, err := rpc.PageOf(request, 1)
	if err != nil {
		return nil, err
	}
	products, err := listProducts(ctx, s.db, ids[0], page.Key(), page.Size+1)
	if err != nil {
		return nil, err
	}
	products, next := rpc.Cut(page, products, func(p stored) []string { return []string{p.ID} })
	response := &productsv1.ListProductsResponse{NextPageToken: next}
	for _, product := range products {
		response.Products = append(response.Products, product.message(ids[0]))
	}
	return response, nil
}

// UpdateProduct changes a product; the merged product must keep every rule.
func (s *Service) UpdateProduct(ctx context.Context, request *productsv1.UpdateProductRequest) (*productsv1.Product, error) {
	ids, err := resource.Parse("product.name", request.GetProduct().GetName(), "nurseries", "products")
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, _ rpc.Principal) (*productsv1.Product, error) {
		if err := lockNames(ctx, tx, ids[0]); err != nil {
			return nil, err
		}
		before, err := lockProduct(ctx, tx, ids[0], ids[1])
		if err != nil {
			return nil, err
		}
		merged := before.message(ids[0])
		if err := rpc.CheckETag(merged.GetName(), request.GetProduct().GetEtag(), before.version); err != nil {
			return nil, err
		}
		if err := rpc.Merge(merged, request.GetProduct(), request.GetUpdateMask()); err != nil {
			return nil, err
		}
		known, err := readNames(ctx, tx, ids[0])
		if err != nil {
			return nil, err
		}
		after, faults := readProduct(productField, ids[1], merged, known)
		if err := first(faults); err != nil {
			return nil, err
		}
		if err := updateProduct(ctx, tx, ids[0], after); err != nil {
			return nil, err
		}
		return s.get(ctx, tx, ids[0], ids[1])
	})
}

func (s *Service) get(ctx context.Context, r postgres.Reader, nursery, id string) (*productsv1.Product, error) {
	product, err := readStored(ctx, r, nursery, id)
	if err != nil {
		return nil, err
	}
	return product.message(nursery), nil
}

func (p stored) message(nursery string) *productsv1.Product {
	message := p.contract(nursery)
	message.Etag = rpc.ETag(p.version)
	message.CreateTime = timestamppb.New(p.createTime)
	return message
}
