#include "config/config.hpp"
