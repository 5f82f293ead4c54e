#include "measure/signal/matrix.hpp"

#include <cmath>
#include <utility>

namespace nightwatt {

Matrix Matrix::diagonal(const std::vector<double>& numbers) {
  Matrix matrix(numbers.size(), numbers.size());
  for (std::size_t i = 0; i < numbers.size(); ++i) matrix(i, i) = numbers[i];
  return matrix;
}

std::optional<Matrix> cholesky(const Matrix& matrix) {
  const std::size_t n = matrix.rows();
  Matrix triangle(n, n);
  for (std::size_t j = 0; j < n; ++j) {
    for (std::size_t i = j; i < n; ++i) {
      double sum = matrix(i, j);
      for (std::size_t k = 0; k < j; ++k) sum -= triangle(i, k) * triangle(j, k);
      if (i == j) {
        if (!(sum > 0.0) || !std::isfinite(sum)) return std::nullopt;
        triangle(j, j) = std::sqrt(sum);
      } else {
        triangle(i, j) = sum / triangle(j, j);
      }
    }
  }
  return triangle;
}

std::vector<double> half_solve(const Matrix& triangle, std::vector<double> b) {
  for (std::size_t i = 0; i < b.size(); ++i) {
    for (std::size_t k = 0; k < i; ++k) b[i] -= triangle(i, k) * b[k];
    b[i] /= triangle(i, i);
  }
  return b;
}

std::vector<double> solve(const Matrix& triangle, std::vector<double> b) {
  b = half_solve(triangle, std::move(b));
  for (std::size_t i = b.size(); i-- > 0;) {
    for (std::size_t k = i + 1; k < b.size(); ++k) b[i] -= triangle(k, i) * b[k];
    b[i] /= triangle(i, i);
  }
  return b;
}

Matrix inverse(const Matrix& triangle) {
  const std::size_t n = triangle.rows();
  Matrix result(n, n);
  for (std::size_t j = 0; j < n; ++j) {
    std::vector<double> unit(n, 0.0);
    unit[j] = 1.0;
    unit = solve(triangle, std::move(unit));
    for (std::size_t i = 0; i < n; ++i) result(i, j) = unit[i];
  }
  return result;
}

double log_determinant(const Matrix& triangle) {
  double sum = 0.0;
  for (std::size_t i = 0; i < triangle.rows(); ++i) sum += 2.0 * std::log(triangle(i, i));
  return sum;
}

std::optional<std::vector<double>> solve_general(Matrix a, std::vector<double> b) {
  const std::size_t n = b.size();
  for (std::size_t column = 0; column < n; ++column) {
    std::size_t pivot = column;
    for (std::size_t row = column + 1; row < n; ++row)
      if (std::abs(a(row, column)) > std::abs(a(pivot, column))) pivot = row;
    if (!(std::abs(a(pivot, column)) > 0.0)) return std::nullopt;
    for (std::size_t k = 0; k < n; ++k) std::swap(a(column, k), a(pivot, k));
    std::swap(b[column], b[pivot]);
    for (std::size_t row = column + 1; row < n; ++row) {
      const double factor = a(row, column) / a(column, column);
      for (std::size_t k = column; k < n; ++k) a(row, k) -= factor * a(column, k);
      b[row] -= factor * b[column];
    }
  }
  for (std::size_t i = n; i-- > 0;) {
    for (std::size_t k = i + 1; k < n; ++k) b[i] -= a(i, k) * b[k];
    b[i] /= a(i, i);
  }
  return b;
}

}  // namespace nightwatt
