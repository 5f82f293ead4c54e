// Small dense matrices: what a fit of some dozens of points needs, and no more.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

namespace nightwatt {

/// Rows times columns of numbers, row by row. A value.
class Matrix {
 public:
  Matrix() = default;
  Matrix(std::size_t rows, std::size_t columns) : rows_(rows), columns_(columns), numbers_(rows * columns, 0.0) {}
  [[nodiscard]] static Matrix diagonal(const std::vector<double>& numbers);
  [[nodiscard]] std::size_t rows() const { return rows_; }
  [[nodiscard]] std::size_t columns() const { return columns_; }
  double& operator()(std::size_t row, std::size_t column) { return numbers_[row * columns_ + column]; }
  double operator()(std::size_t row, std::size_t column) const { return numbers_[row * columns_ + column]; }
  friend bool operator==(const Matrix&, const Matrix&) = default;

 private:
  std::size_t rows_ = 0, columns_ = 0;
  std::vector<double> numbers_;
};

/// The lower triangle L of a symmetric positive definite matrix L L'; nullopt where it is not positive definite.
[[nodiscard]] std::optional<Matrix> cholesky(const Matrix& matrix);
/// x of L L' x = b, and y of L y = b.
[[nodiscard]] std::vector<double> solve(const Matrix& triangle, std::vector<double> b);
[[nodiscard]] std::vector<double> half_solve(const Matrix& triangle, std::vector<double> b);
/// The inverse of the matrix whose triangle this is.
[[nodiscard]] Matrix inverse(const Matrix& triangle);
/// The logarithm of the determinant of the matrix whose triangle this is.
[[nodiscard]] double log_determinant(const Matrix& triangle);
/// x of a general square A x = b (Gauss, the largest pivot of each column); nullopt where A is singular.
[[nodiscard]] std::optional<std::vector<double>> solve_general(Matrix a, std::vector<double> b);

}  // namespace nightwatt
