#include "measure/decimal.hpp"

#include <cmath>

namespace nightwatt {

double Decimal::value() const { return static_cast<double>(mantissa) * std::pow(10.0, exponent); }

}  // namespace nightwatt
