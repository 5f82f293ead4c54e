#include "storage/store.hpp"
#include "storage/run_builder.hpp"
