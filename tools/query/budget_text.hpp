// The tables of `summary --budget`.
#pragma once

#include "context.hpp"
#include "figures/budget.hpp"

namespace nightwatt::query {

void print_budgets(Context& context, const RunBudgets& budgets);

}  // namespace nightwatt::query
