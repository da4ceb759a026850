package frame

import (
	"net/http"

	"github.com/gin-gonic/gin"
)

func Download(c *gin.Context, name, kind string, body []byte) {
	c.Header("Content-Disposition", `attachment; filename="`+name+`"`)
	c.Data(http.StatusOK, kind, body)
}
