package products

import (
	"fmt"
	"strings"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
)

// enumText returns the name of a value of the contract without its prefix, as
// rows, files and events write it; "" for the value that means none.
func enumText(name, prefix string) string {
	text := strings.TrimPrefix(name, prefix)
	if text == "UNSPECIFIED" {
		return ""
	}
	return text
}

// enumNumber reads what enumText wrote. what names the enumeration in the error.
func enumNumber(values map[string]int32, prefix, text, what string) (int32, error) {
	number, known := values[prefix+text]
	if !known || number == 0 {
		return 0, fmt.Errorf("%s %q is not one of the contract's", what, text)
	}
	return number, nil
}

// MethodText returns a method as records and events write it: SPRAY, DRENCH or
// BATH.
func MethodText(method productsv1.Method) string { return enumText(method.String(), "METHOD_") }

// ParseMethod reads what MethodText wrote.
func ParseMethod(text string) (productsv1.Method, error) {
	number, err := enumNumber(productsv1.Method_value, "METHOD_", text, "method")
	return productsv1.Method(number), err
}

func formText(form productsv1.ProductForm) string { return enumText(form.String(), "PRODUCT_FORM_") }

func parseForm(text string) (productsv1.ProductForm, error) {
	number, err := enumNumber(productsv1.ProductForm_value, "PRODUCT_FORM_", text, "form")
	return productsv1.ProductForm(number), err
}

func classText(class diagnosisv1.DisorderClass) string {
	return enumText(class.String(), "DISORDER_CLASS_")
}

func parseClass(text string) (diagnosisv1.DisorderClass, error) {
	number, err := enumNumber(diagnosisv1.DisorderClass_value, "DISORDER_CLASS_", text, "class of disorder")
	return diagnosisv1.DisorderClass(number), err
}

func formulationText(f productsv1.Formulation) string { return enumText(f.String(), "FORMULATION_") }

func parseFormulation(text string) (productsv1.Formulation, error) {
	number, err := enumNumber(productsv1.Formulation_value, "FORMULATION_", text, "formulation")
	return productsv1.Formulation(number), err
}

func toxicityText(c productsv1.ToxicityCategory) string {
	return enumText(c.String(), "TOXICITY_CATEGORY_")
}

func parseToxicity(text string) (productsv1.ToxicityCategory, error) {
	number, err := enumNumber(productsv1.ToxicityCategory_value, "TOXICITY_CATEGORY_", text, "toxicity category")
	return productsv1.ToxicityCategory(number), err
}

func siteText(site productsv1.Site) string { return enumText(site.String(), "SITE_") }

func parseSite(text string) (productsv1.Site, error) {
	number, err := enumNumber(productsv1.Site_value, "SITE_", text, "site")
	return productsv1.Site(number), err
}

func permissionText(p productsv1.Permission) string { return enumText(p.String(), "PERMISSION_") }

func parsePermission(text string) (productsv1.Permission, error) {
	number, err := enumNumber(productsv1.Permission_value, "PERMISSION_", text, "permission")
	return productsv1.Permission(number), err
}

func answerText(a productsv1.LabelAnswer) string { return enumText(a.String(), "LABEL_ANSWER_") }

func parseAnswer(text string) (productsv1.LabelAnswer, error) {
	number, err := enumNumber(productsv1.LabelAnswer_value, "LABEL_ANSWER_", text, "answer")
	return productsv1.LabelAnswer(number), err
}

func factText(fact productsv1.LabelFact) string { return enumText(fact.String(), "LABEL_FACT_") }

func parseFact(text string) (productsv1.LabelFact, error) {
	number, err := enumNumber(productsv1.LabelFact_value, "LABEL_FACT_", text, "label fact")
	return productsv1.LabelFact(number), err
}

// word returns an enumeration's text as a sentence uses it.
func word(text string) string { return strings.ToLower(strings.ReplaceAll(text, "_", " ")) }

// texts and parsed convert lists of values of the contract.
func texts[E any](values []E, text func(E) string) []string {
	converted := make([]string, len(values))
	for i, value := range values {
		converted[i] = text(value)
	}
	return converted
}

func parsed[E any](values []string, parse func(string) (E, error)) ([]E, error) {
	var converted []E
	for _, text := range values {
		value, err := parse(text)
		if err != nil {
			return nil, err
		}
		converted = append(converted, value)
	}
	return converted, nil
}
